"""Files of users: regular ones, of a bounded size, in UTF-8; anything else is one clear refusal."""

import os
import stat
from pathlib import Path
from typing import Final

from sim.foundations.errors import SimError

LARGEST_MB: Final = 200.0
"""A file of recorded data; one hour of three axes at 10 kHz is about this long."""
LONGEST_NAME: Final = 255
"""Bytes in a file's name on the usual file systems."""


def read_bytes(path: Path, *, fault: type[SimError], largest_mb: float = LARGEST_MB) -> bytes:
    """Return what is in a regular file.

    A pipe or device is not waited for: it is refused before anything is read from it.

    Parameters
    ----------
    path : Path
        The file; links are followed.
    fault : type of SimError
        What to raise.
    largest_mb : float
        Longest file to read. [MB]

    Raises
    ------
    SimError
        Of the type asked for, if it is not there, no regular file, or too long.
    """
    shown = str(path)
    if "\0" in shown:
        raise fault(f"{shown!r}: a name cannot hold a NUL character")
    try:
        handle = os.open(path, os.O_RDONLY | os.O_NONBLOCK)
    except OSError as exc:
        name = shown if len(shown) <= 2 * LONGEST_NAME else f"{shown[:60]}..."
        raise fault(f"{name}: cannot be read: {exc.strerror}") from exc
    try:
        found = os.fstat(handle)
        if not stat.S_ISREG(found.st_mode):
            raise fault(f"{path}: cannot be read: it is a {_kind(found.st_mode)}, not a file")
        if found.st_size > largest_mb * 1e6:
            raise fault(
                f"{path}: must have {largest_mb:g} MB at most (it has {found.st_size / 1e6:.0f} MB)"
            )
        with open(handle, "rb", closefd=False) as file:
            return file.read()
    except OSError as exc:
        raise fault(f"{path}: cannot be read: {exc.strerror}") from exc
    finally:
        os.close(handle)


def read_text(path: Path, *, fault: type[SimError], largest_mb: float = LARGEST_MB) -> str:
    """Return the text of a regular file in UTF-8; a byte order mark at its start is left out.

    Raises
    ------
    SimError
        As `read_bytes`, or if it is not UTF-8. What is in the file is not quoted.
    """
    data = read_bytes(path, fault=fault, largest_mb=largest_mb)
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as exc:
        line = data.count(b"\n", 0, exc.start) + 1
        raise fault(f"{path}: must be UTF-8 text, line {line} is not") from exc


def is_there(path: Path) -> bool:
    """Whether something goes by that name; a name that cannot be is nothing."""
    try:
        return path.exists()
    except (OSError, ValueError):
        return False


def _kind(mode: int) -> str:
    kinds = {
        stat.S_ISDIR: "folder", stat.S_ISFIFO: "pipe", stat.S_ISSOCK: "socket",
        stat.S_ISCHR: "device", stat.S_ISBLK: "device",
    }  # fmt: skip
    return next((name for is_kind, name in kinds.items() if is_kind(mode)), "thing")
