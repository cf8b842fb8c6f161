"""What commands print, whatever stands at the other end of their streams.

A console may know no Hebrew, the reader of a pipe may be gone, the disk of a log full, a stream
closed; and names of files may hold characters that turn a line around or move the cursor. None of
it may end a batch: the work is in files.
"""

from __future__ import annotations

import contextlib
import io
import sys
import unicodedata
from collections.abc import Iterator
from typing import TextIO

REPLACEMENT = "\ufffd"

LAYOUT_CHARACTERS = "\n\t\u200e\u200f"
"""Control characters that may be printed: ends of lines, tabs, marks of direction."""


class SteadyStream(io.TextIOBase):
    """A text stream that prints what it can and never fails, but for a reader that has gone.

    Control characters, and those that override the direction of the line, are replaced; what the
    stream's encoding lacks is written as an escape. After an error nothing more is written;
    `fault` is that error.
    """

    def __init__(self, stream: TextIO | None) -> None:
        self._stream = stream
        self.fault: OSError | None = None
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors="backslashreplace")

    @property
    def encoding(self) -> str:  # type: ignore[override]
        """Encoding of the stream."""
        return getattr(self._stream, "encoding", None) or "utf-8"

    def writable(self) -> bool:
        """True, also after an error."""
        return True

    def isatty(self) -> bool:
        """Whether a terminal is at the other end."""
        return self._stream is not None and self._stream.isatty()

    def fileno(self) -> int:
        """The stream's descriptor; OSError without one."""
        if self._stream is None:
            raise OSError("the stream is closed")
        return self._stream.fileno()

    def write(self, text: str) -> int:
        """Write a text; BrokenPipeError if its reader has gone."""
        with self._guarded() as stream:
            if stream is not None:
                stream.write(printable(text))
        return len(text)

    def flush(self) -> None:
        """Hand over what was written; BrokenPipeError if its reader has gone."""
        with self._guarded() as stream:
            if stream is not None:
                stream.flush()

    @contextlib.contextmanager
    def _guarded(self) -> Iterator[TextIO | None]:
        """The stream while it works; its first error is kept, and it is not used again."""
        try:
            yield self._stream
        except BrokenPipeError:
            raise
        except (OSError, ValueError) as error:
            self.fault = error if isinstance(error, OSError) else OSError(str(error))
            self._stream = None


@contextlib.contextmanager
def steady_streams() -> Iterator[SteadyStream]:
    """Standard output and errors as steady streams within the block; yields the former."""
    out, errors = SteadyStream(sys.stdout), SteadyStream(sys.stderr)
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(errors):
        yield out


def printable(text: str) -> str:
    """A text without characters that act on the terminal or turn a line around."""
    if text.isprintable():
        return text
    return "".join(REPLACEMENT if _acts_on_line(c) else c for c in text)


def _acts_on_line(char: str) -> bool:
    return unicodedata.category(char) in ("Cc", "Cf", "Zl", "Zp") and char not in LAYOUT_CHARACTERS
