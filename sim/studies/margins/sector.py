"""What can be said of a controller with a static nonlinearity in its loop, mirror by mirror."""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from controllers.analysis.circle_criterion import Circle, circle_criterion, sector_gain
from controllers.analysis.describing_function import (
    cycle_amplitude,
    describing_function,
    first_limit,
)
from controllers.analysis.linear_loop import (
    Complex,
    Loop,
    controller_response,
    frequency_grid,
)
from controllers.analysis.nonlinearity import PROBES_RAD, Nonlinearity
from controllers.analysis.plant import plant_response
from sim.assembly.build import Built
from sim.foundations.files.text import counted
from sim.foundations.ports import Array
from sim.studies.margins.loops import AXES, mirror_of
from sim.studies.margins.plant import plant_of, plant_word

AMPLITUDES_RAD: Final = np.geomspace(PROBES_RAD[0] * 10, PROBES_RAD[-1], 70)
POINTS: Final = 48
ASSUMPTIONS: Final = (
    "No margins: the law is not linear. It was found to be a static map in series with a linear "
    "part, by trial steps and by running both side by side.",
    "Circle criterion: certain, but on the safe side. A loop that it does not pass may be stable. "
    "It holds for every map within the sector, even for one that changes from frame to frame.",
    "Both axes are taken together, with their coupling. Where the sector starts at zero (a dead "
    "band, rounding) certain means: to come within a stated rms of what the map sees, not to zero; "
    "the map is split into one with a slope above zero and what that lacks at small arguments, and "
    "each axis alone must pass the circle of the whole sector too.",
    "Describing function: a suggestion. It keeps the fundamental of a sine alone. Rounded loops "
    "with delay have small cycles that it does not see.",
    "Slopes were taken from 0.01 urad to 0.2 rad; frequencies are a grid up to half the frame "
    "rate.",
)


@dataclass(frozen=True, slots=True)
class SectorStudy:
    """The loops of M mirrors around a map in a sector."""

    built: Built
    found: Nonlinearity
    circle: Circle
    amplitude_rad: Array
    """(K,) [rad]"""
    gains: Array
    """(K, M, 2) describing function. [-]"""
    slopes: Array
    """(K, M, 2) map(A) / A. [-]"""
    limit: Array
    """(M, 2) factor on the map at which the linear loop of one axis reaches its limit. [-]"""
    limit_hz: Array
    """(M, 2) [Hz]"""
    cycle_rad: Array
    """(M, 2) amplitude of the cycle that the describing function suggests; NaN: none. [rad]"""
    frequency_hz: Array
    response: Complex
    """(F, M, 2) what the map of one axis sees, the other axis left out. [-]"""

    @property
    def worst(self) -> tuple[int, int]:
        """Place of the loop with the least certain factor, and the axis that is nearer."""
        m = int(self.circle.factor.argmin())
        return m, int(self.response[:, m].real.min(axis=0).argmin())


def sector_study(built: Built, found: Nonlinearity) -> SectorStudy:
    """Hold the loops of a scenario against circle criterion and describing function.

    Parameters
    ----------
    built : Built
        The scenario.
    found : Nonlinearity
        Of its controller: `NonlinearLawError.found` of `sim.studies.margins.margins.study`.
    """
    plant, m = plant_of(built), len(built.parts.mirrors)
    f = frequency_grid(Loop(found.linear, plant))
    linear = controller_response(found.linear, f, plant.frame_s)
    whole = sector_gain(linear, plant_response(plant, f), found.place)
    own = np.stack([whole[..., 0, 0], whole[..., 1, 1]], axis=-1)
    limit, limit_hz = first_limit(f, own)

    def value(x: Array) -> Array:
        return np.stack([found.value(np.full((m, 2), a)) for a in x])

    gains = describing_function(value, AMPLITUDES_RAD, POINTS)
    return SectorStudy(
        built=built,
        found=found,
        circle=circle_criterion(found, plant),
        amplitude_rad=AMPLITUDES_RAD,
        gains=gains,
        slopes=value(AMPLITUDES_RAD) / AMPLITUDES_RAD[:, None, None],
        limit=limit,
        limit_hz=limit_hz,
        cycle_rad=cycle_amplitude(AMPLITUDES_RAD, gains, limit),
        frequency_hz=f,
        response=own,
    )


def sector_rows(result: SectorStudy) -> list[dict[str, Any]]:
    """Return the rows of `sector.json`, one for each mirror and axis."""
    table, word = [], plant_word(result.built)
    highest = result.gains.max(axis=0)
    for i, mirror in enumerate(result.built.parts.mirrors):
        for a, axis in enumerate(AXES):
            over = result.limit[i, a] / highest[i, a] if highest[i, a] > 0 else np.inf
            table.append(
                {
                    "mirror": int(mirror),
                    "name": mirror_of(result.built, int(mirror)).removeprefix("mirror "),
                    "axis": axis,
                    "plant": word,
                    "circle_certain": bool(result.circle.certain[i]),
                    "circle_margin_db": _db(float(result.circle.factor[i])),
                    "circle_hz": float(result.circle.frequency_hz[i]),
                    "circle_rest_urad": _number(1e6 * float(result.circle.rest_rad[i])),
                    "describing_margin_db": _db(float(over)),
                    "describing_limit_hz": _number(float(result.limit_hz[i, a])),
                    "describing_cycle_urad": _number(1e6 * float(result.cycle_rad[i, a])),
                }
            )
    return table


def sector_summary(result: SectorStudy) -> dict[str, Any]:
    """Return what `summary.json` holds."""
    found, m = result.found, result.worst[0]
    return {
        "answer": "circle criterion and describing function; the law has no margins",
        "seen": found.kind,
        "place": found.place,
        "sector": [found.low, found.high],
        "sector_from_zero": result.circle.from_zero,
        "plant": plant_word(result.built),
        "worst_rest_urad": _number(1e6 * float(result.circle.rest_rad.max())),
        "mirrors": len(result.circle.certain),
        "certain": int(result.circle.certain.sum()),
        "worst": mirror_of(result.built, int(result.built.parts.mirrors[m])),
        "worst_circle_margin_db": _db(float(result.circle.factor[m])),
        "cycles_suggested": int(np.isfinite(result.cycle_rad).any(axis=1).sum()),
    }


def sector_verdict(result: SectorStudy) -> str:
    """Return the verdict in a sentence."""
    said = sector_summary(result)
    m, axis = result.worst
    decibels = said["worst_circle_margin_db"]
    by = "" if decibels is None else f", by {abs(decibels):.2f} dB"
    if said["certain"] == said["mirrors"]:
        text = (
            f"Certain by the circle criterion: {said['certain']} of "
            f"{counted(said['mirrors'], 'mirror')} "
            f"stable; nearest is {said['worst']}{by}."
        )
        if said["sector_from_zero"]:
            text += (
                f" They come to rest within {said['worst_rest_urad']:.3g} urad rms of the map's "
                f"argument, or less."
            )
    else:
        short = said["mirrors"] - said["certain"]
        text = (
            f"Not certain: the circle criterion does not pass {short} of "
            f"{counted(said['mirrors'], 'mirror')}; {said['worst']} misses it most{by}."
        )
    if said["cycles_suggested"]:
        cycle = np.nanmax(result.cycle_rad)
        return f"{text} The describing function suggests a cycle of up to {1e6 * cycle:.3g} urad."
    return f"{text} The describing function suggests no cycle."


def _db(factor: float) -> float | None:
    return float(20 * np.log10(factor)) if np.isfinite(factor) and factor > 0 else None


def _number(value: float) -> float | None:
    return value if np.isfinite(value) else None
