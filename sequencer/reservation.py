"""Keeps two runs off one instrument, across processes, by VISA address.

The operating system drops a lock when the last process that shares it dies, so a reservation can't go
stale; the watchkeeper shares it and holds on until the bench is safe. The note beside the lock only
tells people who holds it. Lock files stay: one that is removed while another process opens it would be
two locks of one name. Whoever only asks takes a shared lock for a moment, so that two who ask don't see
each other; who takes one in earnest waits for longer than that moment.
"""

import contextlib
import fcntl
import getpass
import json
import os
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

from filelock import BaseFileLock, FileLock, Timeout

from sequencer.addresses import spellings
from sequencer.errors import Refused, printable
from sequencer.journal import sha256_hex

# Where every user of a machine may write, whatever their TMPDIR says (FHS 3.0).
_SHARED_PLACES = ("/tmp", "/var/tmp")

# Longer than anybody holds a lock who only asks.
_MOMENT_S = 0.5
# The watchkeeper of a run that died makes its bench safe in 5 s and writes the record.
_MAKING_SAFE_S = 10.0
_POLL_S = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Holder:
    """Who holds an address.

    is_alive is False when the run itself died and its watchkeeper is still at work. unasked says why
    the lock could not be asked, where only the note tells; empty otherwise.
    """

    who: str
    is_alive: bool = True
    unasked: str = ""

    def __str__(self) -> str:
        return self.who if self.is_alive else f"{self.who}, which died; its bench is made safe"

    def words(self) -> str:
        """What still goes on there."""
        if self.unasked:
            return f"perhaps still running: {self} (its reservation can't be asked: {self.unasked})"
        return f"still running: {self}" if self.is_alive else str(self)


def lock_folder() -> Path:
    """Where reservations of this machine are kept: one place for everybody, where there is one."""
    shared = (Path(each) for each in _SHARED_PLACES)
    place = next((each for each in shared if os.access(each, os.W_OK | os.X_OK)), None)
    return (place or Path(tempfile.gettempdir())) / "steadybench-reservations"


@contextmanager
def reserved(
    addresses: Sequence[str], holder: str, folder: Path | None = None
) -> Iterator[tuple[int, ...]]:
    """Hold these addresses while inside; holder says what for. Gives the locks' descriptors.

    What the watchkeeper of a run that died still holds is waited for.
    Raises Refused (code "held") when another run holds one of them.
    """
    where = folder or lock_folder()
    _make_shared(where)
    descriptors: list[int] = []
    with ExitStack() as stack:
        keys = {key: each for each in addresses for key in spellings(each)}
        for key, address in sorted(keys.items()):
            lock, note = _lock(where, key), _note(where, key)
            stack.enter_context(_taken(lock, note, address))
            _leave(note, holder)
            descriptors += _descriptor(lock)
        yield tuple(descriptors)


def record_address(folder: Path) -> str:
    """The address under which a run (or pair) reserves its own folder while it writes there."""
    return f"record {folder.resolve()}"


def holder_of(address: str, folder: Path | None = None) -> Holder | None:
    """Who holds this address; None when nobody does. Nobody is kept from it by the question."""
    where = folder or lock_folder()
    for key in spellings(address):
        try:
            handle = os.open(_lock(where, key).lock_file, os.O_RDONLY | os.O_NONBLOCK)
        except FileNotFoundError:
            continue
        except OSError as error:
            noted = _noted(_note(where, key))
            if noted.is_alive:
                return Holder(who=noted.who, unasked=error.strerror or str(error))
            continue
        try:
            fcntl.flock(handle, fcntl.LOCK_SH | fcntl.LOCK_NB)
        except OSError:
            return _noted(_note(where, key))
        finally:
            os.close(handle)
    return None


def refuse_held(addresses: Sequence[str], folder: Path | None = None) -> None:
    """Refuse what would be refused later on, before anybody is asked anything.

    Raises Refused (code "held") when another run holds one of them and goes on.
    """
    for address in addresses:
        holder = holder_of(address, folder)
        if holder and holder.is_alive and not holder.unasked:
            raise _held(address, holder)


def _taken(
    lock: BaseFileLock, note: Path, address: str
) -> contextlib.AbstractContextManager[object]:
    """The lock, taken.

    Raises Refused when somebody holds it who goes on.
    """
    for patience_s in (_MOMENT_S, _MAKING_SAFE_S):
        try:
            return lock.acquire(timeout=patience_s, poll_interval=_POLL_S)
        except Timeout:
            holder = _noted(note)
            if holder.is_alive:
                break
    raise _held(address, holder)


def _held(address: str, holder: Holder) -> Refused:
    return Refused(f"{address} is in use by {holder}; wait for that run to end", code="held")


def _lock(where: Path, key: str) -> BaseFileLock:
    return FileLock(where / f"{_name(key)}.lock", timeout=0, mode=0o666)


def _note(where: Path, key: str) -> Path:
    return where / f"{_name(key)}.json"


def _name(key: str) -> str:
    return sha256_hex(key.encode())[:24]


def _descriptor(lock: BaseFileLock) -> list[int]:
    """The descriptor that the system's lock hangs on; none where the library hides it."""
    found = getattr(getattr(lock, "_context", None), "lock_file_fd", None)
    return [found] if isinstance(found, int) else []


def _make_shared(folder: Path) -> None:
    """A folder that every user of this machine can write to, whoever came first.

    Without the sticky bit: with it, Linux may forbid (fs.protected_regular) to open a colleague's lock.
    A link in its place is refused, since it could lead anywhere.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW)
        try:
            if os.fstat(handle).st_uid == os.getuid():
                os.fchmod(handle, 0o777)
        finally:
            os.close(handle)
    except OSError as error:
        raise Refused(
            f"instruments can't be reserved: {folder}: {error.strerror}", code="held"
        ) from error


def _leave(note: Path, holder: str) -> None:
    """Say who holds an address; a colleague's old note is put out of the way."""
    about = {"pid": os.getpid(), "user": _user(), "for": holder}
    with contextlib.suppress(OSError):
        note.unlink(missing_ok=True)
        with note.open("x", encoding="utf-8") as file:  # never through a link laid there meanwhile
            file.write(json.dumps(about))


def _user() -> str:
    """The user's name; their number where this machine has no name for it."""
    try:
        return getpass.getuser()
    except (KeyError, OSError):
        return str(os.getuid())


def _noted(note: Path) -> Holder:
    """Who holds an address as the note beside its lock has it."""
    try:
        held = json.loads(note.read_text(encoding="utf-8"))
        who = printable(f"{held['for']} (process {held['pid']}, user {held['user']})")
        return Holder(who=who, is_alive=_is_alive(int(held["pid"])))
    except (OSError, ValueError, KeyError, TypeError):
        return Holder(who="another run")


def _is_alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except (OSError, OverflowError):
        return True  # somebody else's
    return True
