"""Numbers as CSV, a million rows in seconds: digits of whole columns at a time."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sim.studies.connections.side_by_side import side_by_side

COMMA, END, MINUS, POINT, ZERO = (ord(c) for c in ",\n-.0")
GAP = 0
"""Byte for places that a number does not need; taken out at the end."""
ROWS = 16384


def write_columns(path: Path, columns: Mapping[str, tuple[NDArray[Any], int]]) -> None:
    """Write columns of numbers as CSV.

    Parameters
    ----------
    path : Path
        The file.
    columns : mapping of str to ((C,) ndarray, int)
        Values, and decimals after the point; rounded half to even at that place.

    Raises
    ------
    ValueError
        If a value is not finite, or too large for its decimals.
    """
    rows = len(next(iter(columns.values()))[0])
    with path.open("wb") as file:
        file.write((",".join(columns) + "\n").encode("ascii"))
        for lines in side_by_side(lambda at: _lines(columns, at), range(0, rows, ROWS)):
            file.write(lines)


def _lines(columns: Mapping[str, tuple[NDArray[Any], int]], first: int) -> bytes:
    """Return the text of some rows, from the first of them on."""
    parts = []
    for number, (values, decimals) in enumerate(columns.values()):
        end = END if number == len(columns) - 1 else COMMA
        parts.append(_digits(values[first : first + ROWS], decimals, end))
    block = np.concatenate(parts, axis=0).T.ravel()
    return block[block != GAP].tobytes()


def _digits(values: NDArray[Any], decimals: int, end: int) -> NDArray[np.uint8]:
    """Return the characters (places, C) of a column, sign first, `end` last."""
    scaled = np.rint(np.asarray(values, dtype=float) * 10.0**decimals)
    if not np.all(np.abs(scaled) < 2.0**53):
        raise ValueError("columns must hold finite numbers that fit, got one that does not")
    rest = np.abs(scaled).astype(np.int64)
    top = int(rest.max(initial=0))
    places = max(len(str(top)), decimals + 1)
    if top < 2**31:
        rest = rest.astype(np.int32)
    negative = (scaled < 0) & (rest > 0)
    lines = np.empty((places + 3, len(rest)), np.uint8)
    lines[0] = np.where(negative, MINUS, GAP)
    row = places + 1
    for place in range(places):
        if place == decimals:
            lines[row] = POINT if decimals else GAP
            row -= 1
        whole = rest // 10
        digit = (rest - 10 * whole + ZERO).astype(np.uint8)
        # Leading zeros before the ones are not written.
        lines[row] = np.where(rest == 0, GAP, digit) if place > decimals else digit
        row -= 1
        rest = whole
    lines[-1] = end
    return lines
