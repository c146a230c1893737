"""Switches that differ from the described one by what its [uncertainty] allows, all at once."""

from collections.abc import Callable
from itertools import product
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.assembly.build import Built, build
from sim.foundations.errors import ScenarioError
from sim.foundations.ports import Array
from sim.foundations.rng import Stream, uniforms
from sim.studies.margins.plant import TrueMirrors, present_mirrors

WORDS: Final = (("resonance", "%"), ("Q", "%"), ("gain", "%"), ("delay", "us"))
"""What may differ, in the order of a point's numbers, and their units."""
RESONANCE, QUALITY, GAIN, DELAY = range(4)


class Box(NamedTuple):
    """The ranges, for every population. A point (4,) is as `WORDS` says."""

    size: Array
    """(4,) largest difference of each, either way."""
    tick_us: float
    """Delays differ by whole ticks of the drive."""
    switches: tuple[Built, ...]
    """The described population first, then those of the seeds that follow."""
    seed: int

    def label(self, population: int) -> str:
        """Return a population's name; empty for the described one."""
        return f"population of seed {self.seed + population}" if population else ""

    @property
    def free(self) -> NDArray[np.intp]:
        """Which of the four differ at all."""
        return np.flatnonzero(self.size)

    def corners(self) -> Array:
        """Return every combination of higher and lower (C, 4); the middle alone if none differs."""
        ends = [(-s, s) if s else (0.0,) for s in self.size]
        return np.array(list(product(*ends)))

    def drawn(self, count: int, turn: int) -> Array:
        """Return points (count, 4) drawn evenly from the ranges, others at every turn."""
        key = (self.seed, int(Stream.UNCERTAINTY))
        share = uniforms(key, turn, np.arange(count)[:, None], np.arange(4)[None, :])[..., 0]
        return self.on_ticks((2.0 * share - 1.0) * self.size)

    def on_ticks(self, points: Array) -> Array:
        """Return points (..., 4) with delays of whole ticks."""
        found = np.array(points)
        found[..., DELAY] = self.tick_us * np.round(found[..., DELAY] / self.tick_us)
        return found


def box_of(built: Built, progress: Callable[[str, int, int], None] | None = None) -> Box:
    """Return the ranges of a scenario's [uncertainty], with the switches of every population.

    Parameters
    ----------
    built : Built
        The described switch.
    progress : callable, optional
        Called with what is done, how many are, and of how many.

    Raises
    ------
    ScenarioError
        If nothing is uncertain, or a sooner delay ends before the exposure does.
    """
    u, scenario, parts = built.resolved.uncertainty, built.resolved, built.parts
    tick_us = 1e6 * parts.clock.tick_s
    ticks = round(u.delay_us / tick_us)
    size = np.array([u.resonance_pct, u.quality_pct, u.gain_pct, ticks * tick_us])
    if not size.any() and u.populations < 2:
        raise ScenarioError(
            "uncertainty: nothing is uncertain in this scenario; set resonance_pct, quality_pct, "
            "gain_pct, delay_us or populations for --robust"
        )
    sooner = int(np.min(parts.delay_ticks)) - ticks
    if sooner < parts.exposure_ticks:
        raise ScenarioError(
            f"uncertainty.delay_us: a correction cannot act before its exposure is over "
            f"(got {ticks * tick_us:g}, which leaves {sooner * tick_us:g} us of the frame's start)"
        )
    switches, seed = [built], scenario.seeds.population
    for k in range(1, u.populations):
        switches.append(build(scenario.replace(population_seed=seed + k)))
        if progress is not None:
            progress("populations drawn", k + 1, u.populations)
    return Box(size, tick_us, tuple(switches), seed)


def altered(built: Built, place: NDArray[np.intp], points: Array) -> TrueMirrors:
    """Return the mirrors at some places (m,) of a switch, changed as points (P, 4) say.

    The controller, and all that the firmware believes, stay.

    Returns
    -------
    TrueMirrors
        P m rows, point by point.
    """
    own = present_mirrors(built, place)
    by = points[:, :, None, None]

    def changed(value: Array, factor: Array) -> Array:
        return np.asarray((value * factor).reshape(-1, 2))

    one = np.ones((len(points), 1, 1))
    return TrueMirrors(
        np.tile(place, len(points)),
        changed(own.resonance_rad_s, 1 + 0.01 * by[:, RESONANCE]),
        changed(own.quality, 1 + 0.01 * by[:, QUALITY]),
        changed(own.gain, 1 + 0.01 * by[:, GAIN]),
        changed(own.cross, one),
        (own.delay_s + 1e-6 * by[:, DELAY]).reshape(-1, 2),
    )


def point_words(point: Array) -> str:
    """Return a point in words, such as "resonance -4 %, delay +50 us"; what is as described not."""
    return ", ".join(
        f"{what} {value:+.3g} {unit}"
        for (what, unit), value in zip(WORDS, point, strict=True)
        if value
    )
