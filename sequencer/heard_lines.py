"""Lines that a person types (or a program pipes in), waited for a while at a time.

Whoever asks a person while a unit is on must be able to do something else until the answer is there; a
read of the stream itself would block for as long as it takes.
"""

import contextlib
import os
import select
from typing import TextIO

# Nobody types more; a program that sends more without a line's end must not fill the memory.
_LONGEST_LINE = 65_536


class HeardLines:
    """The lines of an input stream; of one that is no file (in a test) each is simply read. None is
    a program's input that was closed before it began.

    The stream must not be read elsewhere: what came behind a line's end is kept here.
    """

    def __init__(self, stream: TextIO | None) -> None:
        self._stream = stream
        self._descriptor: int | None = None
        if stream is not None:
            with contextlib.suppress(OSError, ValueError):
                self._descriptor = stream.fileno()
        self._waiting = b""
        self._has_ended = False

    @property
    def is_terminal(self) -> bool:
        """Whether what is typed is shown by the terminal itself."""
        return self._stream is not None and self._stream.isatty()

    def wait(self, seconds: float) -> bool:
        """Whether a line, or the end of the stream, is there within this time.

        Raises OSError when the stream can't be read.
        """
        if self._descriptor is None or self._is_there():
            return True
        if not select.select([self._descriptor], [], [], seconds)[0]:
            return False
        piece = os.read(self._descriptor, _LONGEST_LINE)
        self._waiting += piece
        self._has_ended = not piece
        return self._is_there()

    def line(self) -> str:
        """The line that is there, with its end; what came before the end of the stream, else nothing.

        Raises OSError when the stream can't be read.
        """
        if self._stream is None:
            return ""
        if self._descriptor is None:
            return self._stream.readline()
        line, end, self._waiting = self._waiting.partition(b"\n")
        self._has_ended = False  # a terminal goes on after it
        return (line + end).decode(self._stream.encoding or "utf-8", "replace")

    def _is_there(self) -> bool:
        has_line = b"\n" in self._waiting or len(self._waiting) >= _LONGEST_LINE
        return has_line or self._has_ended
