"""Roundings inside an estimator in whole numbers: noted, or ties turned, while a caller
records them.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from typing import NamedTuple

import numpy as np

from sim.firmware.rounding import Rounding, Whole, shifted
from sim.firmware.spots.division import (
    Divider,
    quotient_words,
    reciprocal_words,
    right_shift,
)


class NotedRounding(NamedTuple):
    """Roundings of one place of an estimator, K for each of M windows."""

    place: str
    """Which, in words."""
    from_tie: Whole
    """(M, K) twice what is rounded away, less a unit of what is kept: 0 on a tie."""
    unit: Whole
    """(M, K) or (M, 1) twice a unit of what is kept."""


_NOTES: ContextVar[list[NotedRounding] | None] = ContextVar("noted roundings", default=None)
_OTHERWISE: ContextVar[str | None] = ContextVar("place whose ties go the other way", default=None)


@contextmanager
def noting() -> Iterator[list[NotedRounding]]:
    """Give a list that takes what is rounded in every reading from now on."""
    notes: list[NotedRounding] = []
    before = _NOTES.set(notes)
    try:
        yield notes
    finally:
        _NOTES.reset(before)


@contextmanager
def ties_otherwise(place: str) -> Iterator[None]:
    """Have the ties of one place go the other way, as with another rule for ties."""
    before = _OTHERWISE.set(place)
    try:
        yield
    finally:
        _OTHERWISE.reset(before)


def shifted_at(place: str, values: Whole, bits: int, rounding: Rounding) -> Whole:
    """Return values (M, ...) shifted to the right as `shifted` does it, and note it."""
    found = shifted(values, bits, rounding)
    notes, other = _NOTES.get(), _OTHERWISE.get() == place
    if bits <= 0 or (notes is None and not other):
        return found
    unit = np.int64(1) << np.int64(bits)
    from_tie = 2 * (values & (unit - 1)) - unit
    if notes is not None:
        flat = from_tie.reshape(len(values), -1)
        notes.append(NotedRounding(place, flat, np.array([[2 * unit]])))
    if other:
        found = np.where(from_tie == 0, 2 * (values >> np.int64(bits)) + 1 - found, found)
    return found


def quotient_at(
    place: str, numerator: Whole, denominator: Whole, shift: int, divider: Divider
) -> Whole:
    """Return quotients (M, ...) as `quotient_words` takes them, and note them."""
    found = quotient_words(numerator, denominator, shift, divider)
    notes, other = _NOTES.get(), _OTHERWISE.get() == place
    if notes is None and not other:
        return found
    n, d = np.broadcast_arrays(np.asarray(numerator, np.int64), np.asarray(denominator, np.int64))
    if divider.by_reciprocal:
        right = right_shift(d, shift, divider)
        unit = np.int64(1) << np.maximum(right, 0)
        product = (n * reciprocal_words(d, divider)) << np.maximum(-right, 0)
    else:
        unit, product = d, n << np.int64(shift)
    floor = product // unit
    from_tie = 2 * (product - floor * unit) - unit
    if notes is not None:
        flat, units = (each.reshape(len(n), -1) for each in (from_tie, 2 * unit))
        notes.append(NotedRounding(place, flat, units))
    if other:
        found = np.where(from_tie == 0, 2 * floor + 1 - found, found)
    return found
