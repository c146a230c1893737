"""A fixed-point estimator as the numbers of its C source: one entry of `SPOT_SOURCES` a kind."""

from collections.abc import Callable
from typing import Any, Final, NamedTuple

import numpy as np

from sim.firmware.law_source import braces
from sim.firmware.spots.division import Divider
from sim.firmware.spots.thresholded_centroid import (
    ThresholdedCentroidWords,
    bits_of_moments,
    sum_ranges,
)
from sim.firmware.spots.verdict import Verdict


class SpotWorld(NamedTuple):
    """What the C source of an estimator depends on besides its words."""

    kind: str
    """Name of the estimator."""
    division: str
    """How it divides, as its arithmetic names it."""
    full_scale_dn: int
    """Of a pixel. [DN]"""


class SpotSource(NamedTuple):
    """What the C source of an estimator is made of."""

    kind: str
    macros: dict[str, Any]
    """Name -> number, in `settings.h`."""
    files: tuple[str, ...]
    """Of sim/firmware/c, besides `spot.h` and `spot.c`."""
    tables: dict[str, str]
    """Name of a header -> text."""
    work_bytes: int
    """Of `struct spot`, on a processor of 32 bits."""
    timing: str
    """What the time depends on, in words."""


def _shared(v: Verdict) -> dict[str, Any]:
    return {
        "WINDOW_HEIGHT": v.height,
        "WINDOW_WIDTH": v.width,
        "SPOT_POSITION_BITS": v.position.bits,
        "SPOT_FRACTION": v.position.fraction,
        "SPOT_LIGHT_FRACTION": v.light_fraction,
        "SPOT_LEAST_LIGHT": v.least_light,
        "SPOT_EDGE_X": v.edge_x,
        "SPOT_EDGE_Y": v.edge_y,
    }


def _division(
    divider: Divider, division: str, numerator_bits: int, shift: int
) -> tuple[dict[str, Any], dict[str, str]]:
    """Return macros and tables of how an estimator divides."""
    macros: dict[str, Any] = {
        "SPOT_ROUNDING": f"ROUNDING_{str(divider.rounding).upper()}",
        "SPOT_NUMERATOR_BITS": numerator_bits + shift,
    }
    if not divider.by_reciprocal:
        return macros | {"SPOT_DIVISION": f"DIVISION_{division.upper()}"}, {}
    macros |= {
        "SPOT_DIVISION": "DIVISION_RECIPROCAL",
        "RECIPROCAL_INDEX_BITS": divider.index_bits,
        "RECIPROCAL_BITS": divider.word_bits,
        "RECIPROCAL_NEWTON_STEPS": divider.newton_steps,
    }
    table = braces(np.array(divider.table).reshape(-1, min(8, len(divider.table))))
    flat = table.replace("{ ", "").replace(" }", "")
    text = (
        "/* 1 / d for d from 1 to 2, times 2^RECIPROCAL_BITS. */\n"
        f"static const int32_t reciprocals[{len(divider.table)}] = {flat};\n"
    )
    return macros, {"reciprocals.h": text}


def _thresholded_centroid(words: ThresholdedCentroidWords, world: SpotWorld) -> SpotSource:
    v = words.verdict
    ranges = sum_ranges((v.height, v.width), world.full_scale_dn, words.threshold_dn)
    bits = bits_of_moments(words.sum_bits, ranges)
    macros, tables = _division(words.divider, world.division, bits, v.position.fraction - 1)
    macros |= {
        "SPOT_THRESHOLD": f"({words.threshold_dn})",
        "SPOT_SUM_BITS": words.sum_bits,
        "SPOT_SUMS_PROVEN": int(words.proven),
    }
    files = ("thresholded_centroid.h", "thresholded_centroid.c", "divide.h")
    short = words.proven and words.sum_bits <= 32
    timing = (
        "The estimator is done with a pixel as it arrives: after the last row two divisions are "
        "left. Pixels above the threshold and below it may differ by an instruction or two."
    )
    return SpotSource(
        world.kind, _shared(v) | macros, files, tables, 20 if short else 32, timing
    )


SPOT_SOURCES: Final[dict[type, Callable[[Any, SpotWorld], SpotSource]]] = {
    ThresholdedCentroidWords: _thresholded_centroid,
}
"""Record of an estimator in words -> what its C source is made of."""


def spot_source(words: Any, world: SpotWorld) -> SpotSource:
    """Return what the C source of an estimator is made of.

    Raises
    ------
    ValueError
        If there is no C source for it.
    """
    try:
        return SPOT_SOURCES[type(words)](words, world)
    except KeyError:
        raise ValueError("there is no C source for this estimator") from None
