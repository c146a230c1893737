"""Numbers as people read them: decimals fixed by the unit, and the unit's printed sign."""

import math
import re
from typing import Any, Final

DECIMALS: Final = {
    "dB": 3, "urad": 1, "ms": 2, "us": 1, "s": 3, "mm": 3, "um": 1, "g": 3, "m/s^2": 2, "K": 2,
    "Hz": 1, "deg": 1, "%": 1, "px": 3,
}  # fmt: skip
"""Digits after the point."""
PRINTED: Final = {"urad": "µrad", "um": "µm", "us": "µs", "m/s^2": "m/s²"}
"""How a unit is printed where the medium has more than ASCII."""
_PLAIN: Final = re.compile(r"(?:(?<=\d )|(?<=\[)|(?<= \[))u(?=(?:rad|m|s)\b)|\bu(?=rad\b)")
"""The u of µrad, µm and µs after a number or in brackets."""
NO_FIGURE: Final = "no figure"
MOST_DECIMALS: Final = 9


def unit_sign(unit: str, *, plain: bool = False) -> str:
    """Return the unit as it is printed; `plain` for a medium that has ASCII alone."""
    return unit if plain else PRINTED.get(unit, unit)


def with_signs(text: str) -> str:
    """Return a sentence or a heading with its units as they are printed."""
    return _PLAIN.sub("µ", text).replace("m/s^2", "m/s²")


def number(value: Any, unit: str = "", digits: int = 3, *, plain: bool = False) -> str:
    """Return a figure with its unit, or words for none.

    Parameters
    ----------
    value : number or None
        Not a number counts as none.
    unit : str
        A unit of `DECIMALS` fixes the decimals. A value that would round to zero is said to be
        below the last decimal instead.
    digits : int
        Significant digits of what has no such unit.
    plain : bool
        Whether to print ASCII alone.
    """
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return NO_FIGURE
    if isinstance(value, bool) or not isinstance(value, int | float):
        return str(value)
    if unit in DECIMALS:
        text = _fixed(float(value), DECIMALS[unit])
    else:
        text = _significant(value, digits)
    return f"{text} {unit_sign(unit, plain=plain)}".strip()


def number_beside(value: Any, limit: float, unit: str = "", *, plain: bool = False) -> str:
    """Return `number`, with as many more decimals as it takes to see on which side of a limit."""
    text = number(value, unit, plain=plain)
    if unit not in DECIMALS or value is None or value == limit:
        return text
    decimals = DECIMALS[unit]
    while round(value, decimals) == round(limit, decimals) and decimals < MOST_DECIMALS:
        decimals += 1
    if decimals == DECIMALS[unit]:
        return text
    return f"{value:.{decimals}f} {unit_sign(unit, plain=plain)}"


def _fixed(value: float, decimals: int) -> str:
    text = f"{value:.{decimals}f}"
    if value != 0 and float(text) == 0:
        least = f"{10.0**-decimals:.{decimals}f}"
        return f"< {least}" if value > 0 else f"> -{least}"
    return text


def _significant(value: float, digits: int) -> str:
    size = abs(value)
    if isinstance(value, int) or value == 0 or size >= 10**digits:
        return f"{value:.0f}"
    if size < 1e-3:
        return f"{value:.2g}"
    return f"{value:.{max(0, digits - 1 - math.floor(math.log10(size)))}f}"
