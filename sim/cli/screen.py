"""What goes to the screen: it never fails, and text of users cannot act on the terminal."""

import io
import sys
from typing import Any, TextIO

import click

from sim.foundations.files.text import shown_lines


class TolerantStream(io.FileIO):
    """A standard stream that takes everything: what cannot be delivered is dropped.

    A reader that has closed its end, or a full device, must not cost a finished simulation.
    """

    lost: OSError | None = None
    """Why it delivers nothing any more."""

    def write(self, data: Any) -> int:
        """Write, or drop what the system refuses."""
        if self.lost is None:
            try:
                return super().write(data) or 0
            except OSError as exc:
                self.lost = exc
        return memoryview(data).nbytes


def say(text: Any, *, err: bool = False) -> None:
    """Print text, control characters in it escaped; `err` for what is no result."""
    click.echo(shown_lines(text), err=err)


def prints_signs(encoding: str) -> bool:
    """Whether a medium of this encoding has the signs that ASCII lacks."""
    try:
        "µ²≤≥".encode(encoding)
    except (UnicodeEncodeError, LookupError):
        return False
    return True


def steady(stream: TextIO | None) -> TextIO:
    """Return a stream to use in place of a standard one; characters it lacks stand escaped."""
    if stream is None:  # closed by whoever started this program
        return open("/dev/null", "w", encoding="utf-8")
    try:
        descriptor = stream.fileno()
    except (OSError, ValueError):  # not a file: a test looks on
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")
        return stream
    raw = TolerantStream(descriptor, "wb", closefd=False)
    return io.TextIOWrapper(
        io.BufferedWriter(raw),
        encoding=stream.encoding,
        errors="backslashreplace",
        line_buffering=True,
    )


def delivered(stream: TextIO) -> OSError | None:
    """Flush a stream; return why not all of it was delivered, or None."""
    stream.flush()
    raw = getattr(getattr(stream, "buffer", None), "raw", None)
    return raw.lost if isinstance(raw, TolerantStream) else None


def use_steady_streams() -> tuple[TextIO | None, TextIO | None]:
    """Put steady streams in place of standard output and error; return the old ones."""
    old = sys.stdout, sys.stderr
    sys.stdout, sys.stderr = steady(sys.stdout), steady(sys.stderr)
    return old
