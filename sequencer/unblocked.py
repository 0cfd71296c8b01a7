"""A terminal that takes no output must not hold up a run: text is handed to it by a thread.

Somebody may hold a terminal (Ctrl-S), or a connection to it may stall. Whoever looks after a unit that
is on must not wait in a write then. What was written is kept, and shown when the terminal goes on.
"""

import io
import os
import threading
from collections import deque
from typing import TextIO, cast

_PATIENCE_S = 1.0
"""How long a flush waits, real time, for a terminal that takes nothing; once for each time it holds."""
_MOST_CHARACTERS = 4_000_000
"""A terminal that is held for days must not fill the memory: what comes on top is left out."""
_PIECE_BYTES = 4096


def unblocked(stream: TextIO) -> TextIO:
    """The stream with a thread before it; one without a descriptor (in a test) as it is."""
    try:
        return cast("TextIO", UnblockedText(stream))
    except io.UnsupportedOperation:
        return stream


class UnblockedText(io.TextIOBase):
    """A text stream behind which a thread writes to a file descriptor; a write returns at once.

    An error of the descriptor is raised by every write and flush that follows, as the stream itself
    would raise it.
    """

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream
        self._descriptor = stream.fileno()
        self._changed = threading.Condition()
        self._waiting: deque[str] = deque()
        self._characters = 0
        self._is_writing = False
        self._is_held = False
        self._error: OSError | None = None
        stream.flush()  # what came before comes first
        threading.Thread(target=self._hand_over, daemon=True, name="terminal").start()

    @property
    def encoding(self) -> str:  # type: ignore[override]  # a text stream's own is writable
        """That of the stream."""
        return self._stream.encoding

    def isatty(self) -> bool:
        """Whether the stream is a terminal."""
        return self._stream.isatty()

    def fileno(self) -> int:
        """The stream's descriptor."""
        return self._descriptor

    def writable(self) -> bool:
        """It is."""
        return True

    def write(self, text: str) -> int:
        """Keep the text for the thread. Raises OSError where the descriptor took none before."""
        with self._changed:
            self._demand_sound()
            if self._characters + len(text) <= _MOST_CHARACTERS:
                self._waiting.append(text)
                self._characters += len(text)
                self._changed.notify_all()
        return len(text)

    def flush(self) -> None:
        """Wait until all is written, or no longer than this once the terminal takes nothing.

        Raises OSError where the descriptor can't be written.
        """
        with self._changed:
            if not self._is_held:
                self._is_held = not self._changed.wait_for(self._is_through, _PATIENCE_S)
            self._demand_sound()

    def _is_through(self) -> bool:
        return self._error is not None or not (self._waiting or self._is_writing)

    def _demand_sound(self) -> None:
        if self._error is not None:  # a new one each time: it carries what it came between
            raise OSError(self._error.errno, self._error.strerror)

    def _hand_over(self) -> None:
        """The thread: writes what waits, as long as the descriptor takes it."""
        while self._error is None:
            with self._changed:
                self._changed.wait_for(lambda: bool(self._waiting))
                text = "".join(self._waiting)
                self._waiting.clear()
                self._characters = 0
                self._is_writing = True
            error = self._written(text.encode(self.encoding, self._stream.errors or "strict"))
            with self._changed:
                self._error, self._is_writing, self._is_held = error, False, False
                self._changed.notify_all()

    def _written(self, content: bytes) -> OSError | None:
        left = memoryview(content)
        try:
            while left:
                left = left[os.write(self._descriptor, left[:_PIECE_BYTES]) :]
        except OSError as error:
            return error
        return None
