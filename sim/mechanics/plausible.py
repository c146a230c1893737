"""Whether numbers of a record can be what they are declared to be.

Bounds are this project's own, wide of anything that a rack or a building is shaken with.
"""

import re
from collections.abc import Sequence
from pathlib import Path
from typing import Final

import numpy as np

from sim.foundations.errors import ProfileError
from sim.foundations.ports import Array

MOST_M_S2: Final = 100 * 9.80665
"""A base that is accelerated by more than 100 g is asked about. [m/s^2]"""
MOST_M_S: Final = 30.0
"""A base whose velocity changes by more, about its mean, is asked about: a shock machine's table
changes by less than 10 m/s, an earthquake's ground by 2. [m/s]"""
AS_TIME: Final = 0.05
"""Steps of a column of times differ by less than this from those of the record. [-]"""
HINTS: Final = {
    "g": {"g"}, "m/s^2": {"m/s^2", "m/s2", "m_s2", "ms2", "mps2"},
    "gal": {"gal", "cm/s^2", "cm/s2", "cm_s2"},
}  # fmt: skip
"""What the end of a column's name says about its unit."""
TIME_HINTS: Final = {"s": {"s", "sec"}, "ms": {"ms", "msec"}, "us": {"us", "usec"}}


def hinted(name: str, hints: dict[str, set[str]]) -> str | None:
    """Return the unit that a column's name ends with, in brackets or after a separator."""
    match = re.search(r"(?:^|[_\s(\[])([A-Za-z][A-Za-z0-9/^_]*)[)\]]?$", name.strip())
    for unit, words in hints.items():
        for word in words:
            if match and re.search(rf"(?:^|_){re.escape(word)}$", match[1].lower()):
                return unit
    return None


def check_names(
    path: Path, time_column: str, columns: Sequence[str], units: str, time_unit: str
) -> None:
    """Refuse a unit that the names of the columns speak against.

    Raises
    ------
    ProfileError
        If a name ends with another unit than the declared one, or time is used as acceleration.
    """
    said = hinted(time_column, TIME_HINTS)
    if said is not None and said != time_unit:
        raise ProfileError(
            f'{path}: column "{time_column}" is in {said} by its name, time_unit says '
            f'"{time_unit}"; set time_unit = "{said}" or rename the column'
        )
    for name in columns:
        if not name:
            continue
        if name == time_column:
            raise ProfileError(f'{path}: column "{name}" is the time; it is no acceleration')
        said = hinted(name, HINTS)
        if said is not None and said != units:
            raise ProfileError(
                f'{path}: column "{name}" is in {said} by its name, units says "{units}"; '
                f'set units = "{said}" or rename the column'
            )


def check_values(
    path: Path,
    columns: Sequence[str],
    acceleration_m_s2: Array,
    rate_hz: float,
    *,
    units: str,
    unit_m_s2: float,
) -> None:
    """Refuse values that cannot be an acceleration in the declared units of time and value.

    Parameters
    ----------
    path : Path
        The file, for messages.
    columns : sequence of three str
        Names of the axes' columns; "" for none.
    acceleration_m_s2 : (N, 3) ndarray
        [m/s^2]
    rate_hz : float
        [Hz]
    units : str
        As declared.
    unit_m_s2 : float
        What one of them is. [m/s^2]

    Raises
    ------
    ProfileError
        If a column holds zeros alone or rises as time does (in s, ms or us), or if the peak or the
        change of velocity is implausible.
    """
    for axis, name in enumerate(columns):
        if not name:
            continue
        values = acceleration_m_s2[:, axis]
        if not values.any():
            raise ProfileError(f'{path}: column "{name}" holds zeros alone; leave it out as ""')
        steps = np.diff(values) / unit_m_s2 * rate_hz
        if any((np.abs(steps / scale - 1.0) < AS_TIME).all() for scale in (1.0, 1e3, 1e6)):
            raise ProfileError(
                f'{path}: column "{name}" rises as the time does; it is no acceleration'
            )
        peak = float(np.abs(values).max())
        if peak > MOST_M_S2:
            raise ProfileError(
                f'{path}: column "{name}" reaches {peak / 9.80665:.4g} g if its unit is {units}; '
                "is the unit right? If it is, set accept_implausible = true"
            )
        velocity = np.cumsum(values - values.mean()) / rate_hz
        change = float(np.ptp(velocity))
        if change > MOST_M_S:
            raise ProfileError(
                f'{path}: column "{name}" changes the velocity of the base by {change:.4g} m/s in '
                f"{len(values) / rate_hz:.4g} s at {rate_hz:.4g} samples/s; are the units of time "
                "and acceleration right? If they are, set accept_implausible = true"
            )
