"""A recording of measured acceleration, and the rules that every file of one must keep.

Nothing is corrected here. A record is used as it was declared, or it is refused with the place, the
rule and the value.
"""

from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

import numpy as np

from sim.foundations.errors import ProfileError, nearest
from sim.foundations.files.reading import read_text
from sim.foundations.ports import Array

STANDARD_GRAVITY_M_S2 = 9.80665
"""By definition (3rd CGPM, 1901)."""
UNITS_M_S2 = {"g": STANDARD_GRAVITY_M_S2, "m/s^2": 1.0, "gal": 0.01}
"""Known units of acceleration, in m/s^2."""
LOWEST_RATE_HZ = 50.0
"""A record whose Nyquist frequency is below 25 Hz says too little about a mirror's base."""
FEWEST_SAMPLES = 8


class Recording(NamedTuple):
    """Three axes of measured acceleration on an even time grid."""

    first_s: float
    """Time of the first sample, on the record's own clock. [s]"""
    rate_hz: float
    acceleration_m_s2: Array
    """(N, 3) in the order x, y, z; zeros on an axis that no column was given for. [m/s^2]"""
    warnings: tuple[str, ...]
    """What the user should know; nothing was altered for it."""
    source: str = ""
    """What the file says of itself in its remarks, on one line."""


def lines_of(path: Path) -> list[str]:
    """Return the lines of a text file, read within bounds."""
    return read_text(path, fault=ProfileError).splitlines()


def finite_number(path: Path, line: int, cell: str, name: str) -> float:
    """Return the number in a cell, or refuse it by its line."""
    try:
        value = float(cell)
    except ValueError:
        value = np.nan
    if not np.isfinite(value):
        raise ProfileError(
            f'{path}: line {line}: "{name}" must be a finite number, '
            f'got "{quoted(cell.strip())}"'
        )
    return value


def quoted(cell: str, most: int = 40) -> str:
    """Return a cell as a message quotes it."""
    return cell if len(cell) <= most else f"{cell[:most]}... ({len(cell)} characters)"


def acceleration_unit(path: Path, units: str) -> float:
    """Return a declared unit of acceleration in m/s^2."""
    if units not in UNITS_M_S2:
        raise ProfileError(
            f'{path}: units "{units}" are not known.{nearest(units, UNITS_M_S2)} '
            f"Known: {', '.join(UNITS_M_S2)}."
        )
    return UNITS_M_S2[units]


def used_axes(path: Path, columns: Sequence[str]) -> list[int]:
    """Return the axes, of x, y and z, that a column is named for."""
    if len(columns) != 3:
        raise ProfileError(
            f'{path}: columns must be three names for x, y, z ("" for none), got {list(columns)}'
        )
    used = [axis for axis in range(3) if columns[axis]]
    if not used:
        raise ProfileError(f"{path}: columns must name at least one, got {list(columns)}")
    return used


def check_length(path: Path, count: int) -> None:
    """Refuse a record of too few samples."""
    if count < FEWEST_SAMPLES:
        raise ProfileError(f"{path}: at least {FEWEST_SAMPLES} samples are needed, got {count}")


def check_rate(path: Path, rate_hz: float) -> None:
    """Refuse a record whose sample rate is too low."""
    if rate_hz < LOWEST_RATE_HZ * (1 - 1e-9):
        raise ProfileError(
            f"{path}: the sample rate must be at least {LOWEST_RATE_HZ:g} Hz, got {rate_hz:.6g} Hz"
        )
