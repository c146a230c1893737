"""A fixed-point estimator as the numbers of its C source: one entry of `SPOT_SOURCES` a record."""

from collections.abc import Callable, Sequence
from typing import Any, Final, NamedTuple

import numpy as np

from sim.firmware.law_source import braces
from sim.firmware.spots.division import Divider
from sim.firmware.spots.gaussian_fit import BACKGROUND_FRACTION, GaussianFitWords
from sim.firmware.spots.logarithm import LOG_FRACTION
from sim.firmware.spots.peak import PeakWords
from sim.firmware.spots.quad_cell import RATIO_FRACTION, QuadCellWords
from sim.firmware.spots.tables import Level, Profiles
from sim.firmware.spots.thresholded_centroid import (
    ThresholdedCentroidWords,
    bits_of_moments,
    sum_ranges,
)
from sim.firmware.spots.verdict import TrustRule
from sim.firmware.spots.weighted_centroid import WeightedCentroidWords

LONGEST = 62
"""Bits of a numerator that no word is known to be shorter than."""


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
    """Of sim/firmware/c, besides `spot.h` and `spot.c`; the first defines `struct spot`."""
    tables: dict[str, str]
    """Name of a header -> text."""
    timing: str
    """What the time depends on, in words."""


Parts = tuple[dict[str, Any], dict[str, str]]
"""Macros, and tables."""
CORRELATION = ("correlate.h", "correlate.c", "light.h")
ITERATED = ("iterated.h", "iterated.c", "kept.h", "kept.c", *CORRELATION, "divide.h")


def _shared(v: TrustRule) -> dict[str, Any]:
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


def _table(name: str, numbers: Sequence[int], what: str) -> str:
    """Return a table as the text of a header."""
    lines = [", ".join(map(str, numbers[i : i + 12])) for i in range(0, len(numbers), 12)]
    body = ",\n    ".join(lines)
    return f"/* {what} */\nstatic const int32_t {name}[{len(numbers)}] = {{\n    {body},\n}};\n"


def _division(divider: Divider, world: SpotWorld, numerator_bits: int) -> Parts:
    """Return how an estimator divides numerators of so many bits, shifted up."""
    macros: dict[str, Any] = {
        "SPOT_ROUNDING": f"ROUNDING_{str(divider.rounding).upper()}",
        "SPOT_NUMERATOR_BITS": numerator_bits,
    }
    if not divider.by_reciprocal:
        return macros | {"SPOT_DIVISION": f"DIVISION_{world.division.upper()}"}, {}
    macros |= {
        "SPOT_DIVISION": "DIVISION_RECIPROCAL",
        "RECIPROCAL_INDEX_BITS": divider.index_bits,
        "RECIPROCAL_BITS": divider.word_bits,
        "RECIPROCAL_NEWTON_STEPS": divider.newton_steps,
    }
    what = "1 / d for d from 1 to 2, times 2^RECIPROCAL_BITS."
    return macros, {"reciprocals.h": _table("reciprocals", divider.table, what)}


def _light(v: TrustRule, level: Level, world: SpotWorld) -> dict[str, Any]:
    most = max(abs((world.full_scale_dn << level.fraction) - level.word), abs(level.word))
    return {
        "LIGHT_FRACTION": level.fraction,
        "LIGHT_LEVEL": f"({level.word})",
        "LIGHT_SUM_BITS": (most * v.height * v.width).bit_length() + 1,
    }


def _correlation(p: Profiles, bits: int) -> Parts:
    macros = {
        "CORRELATE_REACH": p.reach,
        "CORRELATE_FRACTION": p.fraction,
        "CORRELATION_BITS": bits,
    }
    tables = [
        f"static const int32_t profile_along_{axis}[{len(taps)}][{len(taps[0])}] = "
        f"{braces(np.array(taps))};\n"
        for axis, taps in (("x", p.along_x), ("y", p.along_y))
    ]
    what = "/* Row i: taps of pixels i + k - CORRELATE_REACH, times 2^CORRELATE_FRACTION. */\n"
    return macros, {"profiles.h": what + "".join(tables)}


def _thresholded_centroid(words: ThresholdedCentroidWords, world: SpotWorld) -> SpotSource:
    v = words.verdict
    ranges = sum_ranges((v.height, v.width), world.full_scale_dn, words.threshold_dn)
    bits = bits_of_moments(words.sum_bits, ranges)
    macros, tables = _division(words.divider, world, bits + v.position.fraction - 1)
    macros |= {
        "SPOT_THRESHOLD": f"({words.threshold_dn})",
        "SPOT_SUM_BITS": words.sum_bits,
        "SPOT_SUMS_PROVEN": int(words.proven),
    }
    files = ("thresholded_centroid.h", "thresholded_centroid.c", "divide.h")
    timing = (
        "The estimator is done with a pixel as it arrives: after the last row two divisions are "
        "left. Pixels above the threshold and below it may differ by an instruction or two."
    )
    return SpotSource(world.kind, _shared(v) | macros, files, tables, timing)


def _quad_cell(words: QuadCellWords, world: SpotWorld) -> SpotSource:
    v = words.verdict
    light = _light(v, words.level, world)
    macros, tables = _division(words.divider, world, light["LIGHT_SUM_BITS"] + RATIO_FRACTION)
    macros |= light | {
        "SPOT_SUM_BITS": words.sum_bits,
        "QUAD_HALF_WIDTH": words.half_width,
        "QUAD_HALF_HEIGHT": words.half_height,
        "QUAD_LARGEST_RATIO": words.largest_ratio,
    }
    what = "Offset at balances of 0, 1/256, ..., in 2^-4 units of positions."
    tables["quad_curve.h"] = _table("quad_curve", words.curve, what)
    files = ("quad_cell.h", "quad_cell.c", "light.h", "divide.h")
    timing = (
        "The estimator is done with a pixel as it arrives: after the last row two divisions and "
        "two look-ups are left."
    )
    return SpotSource(world.kind, _shared(v) | macros, files, tables, timing)


def _peak(words: PeakWords, world: SpotWorld) -> SpotSource:
    v = words.verdict
    bits = LOG_FRACTION + 8 + v.position.fraction - 1
    macros, tables = _division(words.divider, world, bits)
    macros |= _light(v, words.level, world) | {"PEAK_MATCHED": int(words.matched is not None)}
    what = "Logarithms to the base 2 of 1, 1 + 1/256, ... 2, times 2^16."
    tables["logarithms.h"] = _table("logarithms", words.logarithms, what)
    files: tuple[str, ...] = ("peak.h", "peak.c", "logarithm.h", "light.h", "divide.h")
    timing = "The estimator is done with a row as it arrives: after the last one, five logarithms."
    if words.matched is not None:
        more, taps = _correlation(words.matched, words.sum_bits)
        macros |= more
        tables |= taps
        files = (*files, "correlate.h", "correlate.c")
        timing = (
            "The estimator correlates rows as they arrive, and keeps those that its profile "
            "reaches; after the last row, CORRELATE_REACH rows of the correlation are left, and "
            "five logarithms."
        )
    return SpotSource(world.kind, _shared(v) | macros, files, tables, timing)


STEPS = (
    "The estimator keeps the window and correlates its rows as they arrive; all of its "
    "SPOT_ITERATIONS steps, each over the whole window, come after the last row. Their number is "
    "fixed."
)


def _weighted_centroid(words: WeightedCentroidWords, world: SpotWorld) -> SpotSource:
    v = words.verdict
    shift = v.position.fraction - words.table_fraction
    macros, tables = _division(words.divider, world, words.sum_bits + shift)
    more, taps = _correlation(words.start, words.correlation_bits)
    macros |= more | _light(v, words.level, world) | {
        "SPOT_SUM_BITS": words.sum_bits,
        "TABLE_FRACTION": words.table_fraction,
        "WEIGHTS": len(words.weights),
        "WEIGHT_BITS": words.weight_bits,
        "WEIGHT_STRIDE": words.stride,
        "SPOT_LARGEST_STEP": words.largest_step,
        "SPOT_SETTLED": words.settled,
        "SPOT_ITERATIONS": words.iterations,
    }  # fmt: skip
    what = "At distances of 0, 1, ... parts of a pixel, times 2^WEIGHT_BITS; 0 beyond."
    tables |= taps | {"weights.h": _table("weights", words.weights, what)}
    files = (*ITERATED, "weighted_centroid.c")
    return SpotSource(world.kind, _shared(v) | macros, files, tables, STEPS)


def _gaussian_fit(words: GaussianFitWords, world: SpotWorld) -> SpotSource:
    v = words.verdict
    macros, tables = _division(words.divider, world, LONGEST)
    more, taps = _correlation(words.start, words.correlation_bits)
    macros |= more | _light(v, words.level, world) | {
        "SPOT_SUM_BITS": words.sum_bits,
        "TABLE_FRACTION": words.table_fraction,
        "MODEL_PROFILE": len(words.profile),
        "MODEL_SLOPE": len(words.slope),
        "MODEL_FRACTION": words.model_fraction,
        "MODEL_MOST_LIGHT": words.most_light,
        "SPOT_LARGEST_STEP": words.largest_step,
        "SPOT_SETTLED": words.settled,
        "SPOT_ITERATIONS": words.iterations,
    }  # fmt: skip
    text = _table("model_profile", words.profile, "Share of the light in a pixel, by distance.")
    text += _table("model_slope", words.slope, "Its change by the centre, to the right of it.")
    tables |= taps | {"model.h": text}
    files = (*ITERATED, "gaussian_fit.c")
    return SpotSource(world.kind, _shared(v) | macros, files, tables, STEPS)


def quotient_shifts(words: Any) -> tuple[int, ...]:
    """Return the bits behind the point of each kind of quotient that an estimator takes."""
    fraction = words.verdict.position.fraction
    shifts = {
        GaussianFitWords: (0, BACKGROUND_FRACTION, fraction),
        QuadCellWords: (RATIO_FRACTION,),
        WeightedCentroidWords: (fraction - getattr(words, "table_fraction", 0),),
    }
    return shifts.get(type(words), (fraction - 1,))


SPOT_SOURCES: Final[dict[type, Callable[[Any, SpotWorld], SpotSource]]] = {
    GaussianFitWords: _gaussian_fit,
    PeakWords: _peak,
    QuadCellWords: _quad_cell,
    ThresholdedCentroidWords: _thresholded_centroid,
    WeightedCentroidWords: _weighted_centroid,
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
