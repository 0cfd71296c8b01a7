"""Two runs never share an instrument, whichever process they are in, and a dead one holds none."""

import json
import os
import signal
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

import pytest

from sequencer.errors import Refused
from sequencer.reservation import holder_of, lock_folder, reserved

ROOT = Path(__file__).resolve().parents[2]
A, B = "TCPIP::127.0.0.1::5025::SOCKET", "TCPIP::127.0.0.1::5026::SOCKET"


def test_an_address_that_is_held_is_refused_with_the_holder(tmp_path):
    with (
        reserved([A, B], "burn_in on S-1", tmp_path),
        pytest.raises(Refused) as caught,
        reserved([B], "other", tmp_path),
    ):
        pass
    assert caught.value.code == "held"
    assert caught.value.exit_code == 2
    assert B in caught.value.reason
    assert "burn_in on S-1" in caught.value.reason
    assert str(os.getpid()) in caught.value.reason


def test_the_same_address_written_otherwise_is_the_same(tmp_path):
    with reserved([A], "one", tmp_path), pytest.raises(Refused):
        reserved([A.lower()], "two", tmp_path).__enter__()


@pytest.mark.parametrize(
    ("one", "other"),
    [
        # VPP-4.3, section 4.3.1: the board number is 0 and the class INSTR where they are left out,
        # and case does not matter.
        ("TCPIP::meter.lan::5025::SOCKET", "TCPIP0::METER.lan::5025::socket"),
        ("TCPIP::10.0.0.7", "tcpip0::10.0.0.7::inst0::INSTR"),
        ("GPIB::5", "GPIB0::5::INSTR"),
        ("ASRL3", "ASRL3::INSTR"),
        ("no VISA address", " No VISA address"),
        # inet_aton(3): parts may be left out, octal or hexadecimal; RFC 1034, 3.1: a name may end in
        # its root's dot; RFC 6761, 6.3: localhost is the loopback; RFC 4291, 2.5.5.2: mapped IPv4.
        (A, "TCPIP::127.1::5025::SOCKET"),
        (A, "TCPIP::127.0.0.01::5025::SOCKET"),
        (A, "TCPIP::0x7f000001::5025::SOCKET"),
        (A, "TCPIP::localhost::5025::SOCKET"),
        (A, "TCPIP::LocalHost.::5025::SOCKET"),
        (A, "TCPIP::127.0.0.1.::5025::SOCKET"),
        ("TCPIP::10.0.0.7::5025::SOCKET", "TCPIP::10.7::5025::SOCKET"),
    ],
)
def test_one_instrument_is_one_reservation_however_its_address_is_written(tmp_path, one, other):
    with reserved([one], "one", tmp_path), pytest.raises(Refused) as caught:
        reserved([other], "two", tmp_path).__enter__()
    assert caught.value.reason.startswith(other.strip()) or other in caught.value.reason


def test_a_name_nobody_knows_is_itself(tmp_path, mocker):
    mocker.patch("socket.getaddrinfo", side_effect=OSError("no name server"))
    with (
        reserved(["TCPIP::meter-7.invalid"], "one", tmp_path),
        reserved(["TCPIP::meter-8.invalid"], "two", tmp_path),
    ):
        pass


def test_who_can_t_look_a_name_up_shares_it_with_those_who_can(tmp_path, mocker):
    meter, number = "TCPIP::meter.lan::5025::SOCKET", "TCPIP::10.0.0.7::5025::SOCKET"
    look_up = mocker.patch("socket.getaddrinfo", side_effect=OSError("no name server"))
    with reserved([meter], "one", tmp_path):
        look_up.side_effect = None
        look_up.return_value = [(None, None, None, "", ("10.0.0.7", 0))]
        with pytest.raises(Refused):
            reserved([meter], "two", tmp_path).__enter__()
    with reserved([meter], "three", tmp_path), pytest.raises(Refused):
        reserved([number], "four", tmp_path).__enter__()


def test_a_link_where_the_reservations_lie_is_refused_and_not_followed(tmp_path):
    home = tmp_path / "home"
    home.mkdir(mode=0o700)
    (tmp_path / "locks").symlink_to(home)
    with pytest.raises(Refused), reserved([A], "one", tmp_path / "locks"):
        pass
    assert home.stat().st_mode & 0o777 == 0o700
    assert not list(home.iterdir())


def _laid(place, what, victim):
    """Something else where a file of ours would lie."""
    if what == "link":
        place.symlink_to(victim)
    elif what == "hard link":
        os.link(victim, place)
    elif what == "pipe":
        os.mkfifo(place)
    else:
        place.mkdir()


@pytest.mark.parametrize("what", ["link", "hard link", "pipe", "folder"])
def test_what_was_laid_in_a_lock_s_place_is_refused_in_a_sentence_and_not_touched(tmp_path, what):
    """Everybody may write to the folder, so a link there may lead to anything of the user's."""
    victim = tmp_path / "victim"
    victim.write_text("dear to somebody")
    victim.chmod(0o600)
    with reserved([A], "before", tmp_path / "locks"):
        pass
    (lock,) = (tmp_path / "locks").glob("*.lock")
    lock.unlink()
    _laid(lock, what, victim)
    with pytest.raises(Refused, match=r"can't be reserved: .*\.lock: ") as caught:
        reserved([A], "one", tmp_path / "locks").__enter__()
    assert (caught.value.code, caught.value.exit_code) == ("held", 2)
    assert "remove it" in caught.value.reason or what == "folder"
    assert victim.read_text() == "dear to somebody"
    assert victim.stat().st_mode & 0o777 == 0o600


@pytest.mark.parametrize("what", ["link", "hard link", "pipe", "folder"])
def test_what_was_laid_in_a_note_s_place_is_not_touched_and_hinders_nobody(tmp_path, what):
    victim = tmp_path / "victim"
    victim.write_text("dear to somebody")
    with reserved([A], "before", tmp_path / "locks"):
        pass
    (note,) = (tmp_path / "locks").glob("*.json")
    note.unlink()
    _laid(note, what, victim)
    with reserved([A], "one", tmp_path / "locks"):
        assert holder_of(A, tmp_path / "locks").who == "another run"
    assert victim.read_text() == "dear to somebody"


def test_the_folder_of_reservations_is_everybody_s_but_nobody_takes_another_s_lock_away(tmp_path):
    with reserved([A], "one", tmp_path / "locks"):
        pass
    assert (tmp_path / "locks").stat().st_mode & 0o7777 == 0o1777
    assert {each.stat().st_mode & 0o777 for each in (tmp_path / "locks").iterdir()} == {0o666}


def test_two_boards_are_two_instruments(tmp_path):
    with reserved(["GPIB0::5"], "one", tmp_path), reserved(["GPIB1::5"], "two", tmp_path):
        pass


def test_where_reservations_lie_does_not_hang_on_the_user_s_own_temporary_folder(
    tmp_path, monkeypatch
):
    before = lock_folder()
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    monkeypatch.setattr(tempfile, "tempdir", None)
    assert lock_folder() == before


def test_other_addresses_are_free(tmp_path):
    with reserved([A], "one", tmp_path), reserved([B], "two", tmp_path):
        pass


def test_a_refusal_keeps_nothing(tmp_path):
    with reserved([B], "one", tmp_path), pytest.raises(Refused):
        reserved([A, B], "two", tmp_path).__enter__()
    with reserved([A, B], "three", tmp_path):
        pass


def test_an_address_is_free_again_after_an_error(tmp_path):
    with pytest.raises(RuntimeError), reserved([A], "one", tmp_path):
        raise RuntimeError
    with reserved([A], "two", tmp_path):
        pass


def test_two_roles_at_one_address_are_one_reservation(tmp_path):
    with reserved([A, A], "one", tmp_path):
        pass


_HOLD = """
import sys
import tempfile
from pathlib import Path
from sequencer.reservation import reserved
with reserved([sys.argv[2]], "somebody else's run", Path(sys.argv[1])):
    print("held", flush=True)
    sys.stdin.read()
"""


@pytest.fixture
def holder(tmp_path):
    process = subprocess.Popen(
        [sys.executable, "-c", _HOLD, str(tmp_path), A],
        cwd=ROOT,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert process.stdout.readline() == "held\n"
    yield process
    process.kill()
    process.communicate()


def test_another_process_is_kept_off_until_the_holder_dies(tmp_path, holder):
    with pytest.raises(Refused, match="somebody else's run"):
        reserved([A], "ours", tmp_path).__enter__()
    holder.send_signal(signal.SIGKILL)
    holder.wait()
    with reserved([A], "ours", tmp_path):
        pass


def test_a_damaged_note_does_not_hide_that_it_is_held(tmp_path):
    with reserved([A], "one", tmp_path):
        for note in tmp_path.glob("*.json"):
            note.write_text("[")
        with pytest.raises(Refused, match="another run"):
            reserved([A], "two", tmp_path).__enter__()


@pytest.mark.skipif(os.getuid() != 0, reason="becomes another user")
def test_another_user_s_folder_does_not_lock_this_user_out():
    """Benches are shared: a colleague's first run must not make every later one impossible."""
    becomes = "import os; os.setgid(65534); os.setuid(65534)\nwith"
    # Not below pytest's own folder, which others may not enter.
    with tempfile.TemporaryDirectory() as place:
        os.chmod(place, 0o755)
        shared = Path(place) / "shared"
        with reserved([A], "a colleague with a rather long note to write over", shared):
            pass
        done = subprocess.run(
            [sys.executable, "-c", _HOLD.replace("with", becomes, 1), str(shared), A],
            cwd=ROOT,
            input="",
            capture_output=True,
            text=True,
            check=False,
        )
    assert done.stdout == "held\n", done.stderr


def test_who_holds_an_address_is_told_and_nobody_is_kept_from_it(tmp_path):
    assert holder_of(A, tmp_path) is None
    with reserved([A], "burn_in on S-1", tmp_path):
        words = holder_of(A, tmp_path).words()
        assert words.startswith(f"still running: burn_in on S-1 (process {os.getpid()}")
    assert holder_of(A, tmp_path) is None
    with reserved([A], "another", tmp_path):
        pass


def test_those_who_ask_again_and_again_keep_nobody_off_and_do_not_see_each_other(tmp_path):
    with reserved([A], "before", tmp_path):
        pass
    has_ended, seen = threading.Event(), []

    def ask():
        while not has_ended.wait(0.001):
            seen.append(holder_of(A, tmp_path))

    asking = [threading.Thread(target=ask, daemon=True) for _ in range(2)]
    for each in asking:
        each.start()
    while len(seen) < 50:
        time.sleep(0.001)
    before = seen[:50]
    try:
        for _ in range(20):
            with reserved([A], "a run", tmp_path):
                pass
    finally:
        has_ended.set()
        for each in asking:
            each.join()
    assert before == [None] * 50


def test_what_the_watchkeeper_of_a_dead_run_holds_is_waited_for(tmp_path, holder):
    """It makes the bench safe and lets go by itself."""
    (note,) = tmp_path.glob("*.json")
    note.write_text(json.dumps({**json.loads(note.read_text()), "pid": _dead_process()}))
    found = holder_of(A, tmp_path)
    assert not found.is_alive
    assert "somebody else's run" in found.words()
    assert "which died; its bench is made safe" in found.words()
    threading.Timer(1.5, holder.kill).start()
    with reserved([A], "after", tmp_path):
        assert "after" in holder_of(A, tmp_path).words()


def _dead_process():
    process = subprocess.Popen([sys.executable, "-c", ""])
    process.wait()
    return process.pid


@pytest.mark.parametrize("is_alive", [True, False])
def test_a_lock_that_cannot_be_asked_is_not_taken_for_free(tmp_path, mocker, is_alive):
    """The note alone tells then: a process that is there is perhaps the holder."""
    with reserved([A], "a colleague's run", tmp_path):
        pass
    if not is_alive:
        (note,) = tmp_path.glob("*.json")
        note.write_text(json.dumps({**json.loads(note.read_text()), "pid": _dead_process()}))
    before = os.open

    def refused(path, *how):
        if Path(path).suffix == ".lock":
            raise PermissionError(13, "no permission")
        return before(path, *how)

    mocker.patch("sequencer.reservation.os.open", side_effect=refused)
    holder = holder_of(A, tmp_path)
    assert (holder is not None) is is_alive
    assert not is_alive or holder.words().startswith("perhaps still running: a colleague's run")
    assert not is_alive or "can't be asked: no permission" in holder.words()
