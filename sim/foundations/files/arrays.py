"""Arrays of users, from NPY and NPZ files: plain numbers alone, of a bounded size."""

import io
import math
import tokenize
import zipfile
import zlib
from pathlib import Path
from typing import Any, BinaryIO, Final

import numpy as np
from numpy.lib import format as npy
from numpy.typing import NDArray

from sim.foundations.errors import SimError
from sim.foundations.files.reading import read_bytes

LARGEST_ARRAYS_MB: Final = 1000.0
"""A file of arrays, and what it unfolds to; 400 000 windows of 24 x 24 pixels are about as long."""
BAD: Final = (
    OSError, ValueError, EOFError, KeyError, TypeError, SyntaxError, RecursionError, RuntimeError,
    MemoryError, tokenize.TokenError, zipfile.BadZipFile, zlib.error,
)  # fmt: skip
"""What the readers of numpy and of zip files raise on files that are none of theirs."""


def read_npy(
    path: Path, *, fault: type[SimError], largest_mb: float = LARGEST_ARRAYS_MB
) -> NDArray[Any]:
    """Return the array in an NPY file.

    Parameters
    ----------
    path : Path
        The file.
    fault : type of SimError
        What to raise.
    largest_mb : float
        Longest file to read. [MB]

    Raises
    ------
    SimError
        Of the type asked for, if it is no regular file, too long, or no NPY file of numbers that
        is whole. Nothing in it is quoted.
    """
    data = read_bytes(path, fault=fault, largest_mb=largest_mb)
    try:
        return _array(io.BytesIO(data), len(data))
    except BAD as exc:
        raise fault(f"{path}: is not a readable NPY file of numbers") from exc


def read_npz(
    path: Path,
    *,
    fault: type[SimError],
    largest_mb: float = LARGEST_ARRAYS_MB,
    what: str = "a readable NPZ file of numbers",
) -> dict[str, NDArray[Any]]:
    """Return the arrays in an NPZ file by name; `what` is said of a file that is none.

    Raises
    ------
    SimError
        As `read_npy`; also if its arrays unfold to more than `largest_mb`.
    """
    data = read_bytes(path, fault=fault, largest_mb=largest_mb)
    arrays = {}
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            members = archive.infolist()
            size = sum(member.file_size for member in members)
            if size > largest_mb * 1e6:
                raise fault(
                    f"{path}: must unfold to {largest_mb:g} MB at most (it says {size / 1e6:.0f})"
                )
            for member in members:
                with archive.open(member) as file:
                    content = file.read(member.file_size)
                name = member.filename.removesuffix(".npy")
                arrays[name] = _array(io.BytesIO(content), len(content))
    except BAD as exc:
        if isinstance(exc, fault):
            raise
        raise fault(f"{path}: is not {what}") from exc
    return arrays


def _array(file: BinaryIO, size: int) -> NDArray[Any]:
    """Return an array; what its header says must be there before room is made for it."""
    version = npy.read_magic(file)
    read = npy.read_array_header_1_0 if version == (1, 0) else npy.read_array_header_2_0
    shape, _, dtype = read(file)
    if dtype.hasobject or math.prod(shape) * dtype.itemsize > size - file.tell():
        raise ValueError("not whole")
    file.seek(0)
    return np.asarray(npy.read_array(file, allow_pickle=False))
