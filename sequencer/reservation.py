"""Keeps two runs off one instrument, across processes, by VISA address.

The operating system drops a lock when the last process that shares it dies, so a reservation can't go
stale; the watchkeeper shares it and holds on until the bench is safe. The note beside the lock only
tells people who holds it. Lock files stay: one that is removed while another process opens it would be
two locks of one name. Whoever only asks takes a shared lock for a moment, so that two who ask don't see
each other; who takes one in earnest waits for longer than that moment.

The folder is everybody's, so anything may lie there: what is no plain file of one name, a link above
all, is refused and not touched.
"""

import contextlib
import errno
import fcntl
import json
import os
import stat
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

from sequencer.addresses import spellings
from sequencer.clock import RealClock
from sequencer.errors import Refused, printable
from sequencer.journal import sha256_hex
from sequencer.user_name import user_name

# Where every user of a machine may write, whatever their TMPDIR says (FHS 3.0).
_SHARED_PLACES = ("/tmp", "/var/tmp")

# Longer than anybody holds a lock who only asks.
_MOMENT_S = 0.5
# The watchkeeper of a run that died makes its bench safe in 5 s and writes the record.
_MAKING_SAFE_S = 10.0
_POLL_S = 0.05

# Never through a link, and never waiting for the other end of a pipe.
_AS_IT_LIES = os.O_NOFOLLOW | os.O_NONBLOCK
_LONGEST_NOTE = 100_000


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
            note = _note(where, key)
            descriptors.append(stack.enter_context(_taken(_lock(where, key), note, address)))
            _leave(note, holder)
        yield tuple(descriptors)


def record_address(folder: Path) -> str:
    """The address under which a run (or pair) reserves its own folder while it writes there."""
    return f"record {folder.resolve()}"


def holder_of(address: str, folder: Path | None = None) -> Holder | None:
    """Who holds this address; None when nobody does. Nobody is kept from it by the question."""
    where = folder or lock_folder()
    for key in spellings(address):
        try:
            handle = os.open(_lock(where, key), os.O_RDONLY | _AS_IT_LIES)
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


@contextmanager
def _taken(lock: Path, note: Path, address: str) -> Iterator[int]:
    """The lock, held while inside; gives its descriptor.

    Raises Refused when somebody holds it who goes on, or when it can't be opened.
    """
    with _refused(lock):
        handle = _opened(lock)
    try:
        with _refused(lock):
            _take(handle, note, address)
        yield handle
    finally:
        # The watchkeeper shares the lock: to close it here alone would not let go of it.
        fcntl.flock(handle, fcntl.LOCK_UN)
        os.close(handle)


def _take(handle: int, note: Path, address: str) -> None:
    """Lock, after as much waiting as the holder is worth."""
    clock = RealClock()
    since_s = clock.now_s()
    while not _is_taken(handle):
        holder, waited_s = _noted(note), clock.now_s() - since_s
        if waited_s > (_MOMENT_S if holder.is_alive else _MAKING_SAFE_S):
            raise _held(address, holder)
        clock.sleep(_POLL_S)


def _is_taken(handle: int) -> bool:
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True


@contextmanager
def _refused(path: Path) -> Iterator[None]:
    """Within it an error of the system on this path is a refusal."""
    try:
        yield
    except OSError as error:
        why = "a link lies there; remove it" if error.errno == errno.ELOOP else error.strerror
        raise Refused(f"instruments can't be reserved: {path}: {why}", code="held") from error


def _opened(path: Path) -> int:
    """A file that every user of this machine can write to, opened for that; made where it is not.

    Raises OSError where anything else lies there.
    """
    try:
        # Not made by this call: in a sticky folder Linux may forbid (fs.protected_regular) to open a
        # colleague's file with it.
        handle = os.open(path, os.O_RDWR | _AS_IT_LIES)
    except FileNotFoundError:
        with contextlib.suppress(FileExistsError):
            made = os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o666)
            try:
                os.fchmod(made, 0o666)  # whatever the umask says
            finally:
                os.close(made)
        handle = os.open(path, os.O_RDWR | _AS_IT_LIES)
    about = os.fstat(handle)
    if not stat.S_ISREG(about.st_mode) or about.st_nlink > 1:
        os.close(handle)
        raise OSError(errno.EEXIST, "something that is no file of ours lies there; remove it")
    return handle


def _held(address: str, holder: Holder) -> Refused:
    return Refused(f"{address} is in use by {holder}; wait for that run to end", code="held")


def _lock(where: Path, key: str) -> Path:
    return where / f"{_name(key)}.lock"


def _note(where: Path, key: str) -> Path:
    return where / f"{_name(key)}.json"


def _name(key: str) -> str:
    return sha256_hex(key.encode())[:24]


def _make_shared(folder: Path) -> None:
    """A folder that every user of this machine can write to, whoever came first.

    Sticky: nobody takes another's lock away. A link in its place is refused, since it could lead
    anywhere.
    """
    with _refused(folder):
        folder.mkdir(parents=True, exist_ok=True)
        handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW)
        try:
            if os.fstat(handle).st_uid == os.getuid():
                os.fchmod(handle, 0o1777)
        finally:
            os.close(handle)


def _leave(note: Path, holder: str) -> None:
    """Say who holds an address, over what a colleague's old note says."""
    about = {"pid": os.getpid(), "user": user_name(), "for": holder}
    with contextlib.suppress(OSError), open(_opened(note), "r+b", buffering=0) as file:
        file.truncate()
        file.write(json.dumps(about).encode())


def _noted(note: Path) -> Holder:
    """Who holds an address as the note beside its lock has it."""
    try:
        with open(os.open(note, os.O_RDONLY | _AS_IT_LIES), encoding="utf-8") as file:
            held = json.loads(file.read(_LONGEST_NOTE))
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
