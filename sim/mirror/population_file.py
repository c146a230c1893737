"""A population that was measured: one row for each mirror and axis."""

import csv
import math
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from sim.foundations.errors import ProfileError, nearest
from sim.foundations.files.reading import read_text
from sim.foundations.ports import Array

NEEDED: Final = ("mirror", "axis", "resonance_hz", "quality")
KNOWN: Final = (*NEEDED, "resonance_low_hz", "resonance_high_hz", "quality_low", "quality_high",
                "gain", "delay_us", "cross_axis")  # fmt: skip
USED: Final = {"resonance_hz": (0.0, math.inf), "quality": (0.0, math.inf), "gain": (0.2, 5.0),
               "delay_us": (0.0, math.inf), "cross_axis": (-0.5, 0.5)}  # fmt: skip
"""Columns that describe a mirror here, and the open interval that each must lie in."""


def read_population(path: str | Path, mirrors: NDArray[np.int64]) -> dict[str, Array]:
    """Return every column of `USED`, each (M, 2), of mirrors by their numbers.

    A mirror, axis or value that the file does not hold is NaN. Intervals are not read.

    Raises
    ------
    ProfileError
        Naming file, line, column, rule and value.
    """
    path = Path(path)
    lines = read_text(path, fault=ProfileError).splitlines()
    try:
        rows = list(csv.reader(lines))
    except csv.Error as exc:
        raise ProfileError(f"{path}: is no table in CSV") from exc
    names = [name.strip() for name in rows[0]] if rows else []
    for name in NEEDED:
        if name not in names:
            raise ProfileError(f'{path}: column "{name}" is missing')
    for name in names:
        if name not in KNOWN:
            raise ProfileError(f'{path}: unknown column "{name}".{nearest(name, KNOWN)}')
    column = {int(m): i for i, m in enumerate(mirrors)}
    found = {name: np.full((len(mirrors), 2), np.nan) for name in USED}
    seen: set[tuple[int, int]] = set()
    for line, cells in enumerate(rows[1:], start=2):
        if len(cells) != len(names):
            raise ProfileError(
                f"{path}: line {line}: must have {len(names)} fields (got {len(cells)})"
            )
        row = dict(zip(names, (cell.strip() for cell in cells), strict=True))
        where = f"{path}: line {line}"
        if row["axis"] not in ("x", "y"):
            raise ProfileError(f"{where}: axis: must be x or y (got {row['axis'][:20]!r})")
        if not (row["mirror"].isascii() and row["mirror"].isdigit() and len(row["mirror"]) < 10):
            raise ProfileError(f"{where}: mirror: must be a number (got {row['mirror'][:20]!r})")
        key = int(row["mirror"]), "xy".index(row["axis"])
        if key in seen:
            raise ProfileError(f"{where}: mirror {key[0]}, axis {row['axis']} occurs twice")
        seen.add(key)
        for name, (low, high) in USED.items():
            text = row.get(name, "")
            if text and key[0] in column:
                found[name][column[key[0]], key[1]] = _value(where, name, text, low, high)
    return found


def _value(where: str, name: str, text: str, low: float, high: float) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not low < value < high:
        raise ProfileError(
            f"{where}: {name}: must be a number above {low:g}"
            + (f" and below {high:g}" if high < math.inf else "") + f" (got {text[:20]!r})"
        )  # fmt: skip
    return value
