"""Switches that differ from the described one by what its [uncertainty] allows, all at once."""

from collections.abc import Callable
from dataclasses import replace
from itertools import product
from typing import Any

import numpy as np

from sim.assembly.build import Built, build
from sim.errors import ScenarioError
from sim.studies.margins.judge import World

ASSUMED = (
    "Held over the corners of [uncertainty], every combination of higher and lower resonance, "
    "quality factor, gain and delay, for the described population and for others of the following "
    "seeds. A worst case inside the ranges is not looked for; spectra of noise and disturbance, "
    "and the loss, are those of the described switch."
)


def worlds_of(built: Built, progress: Callable[[int, int], None] | None = None) -> list[World]:
    """Return every corner of the uncertainty, for every population; without the described switch.

    Parameters
    ----------
    built : Built
        The described switch.
    progress : callable, optional
        Called with worlds made and worlds in all.

    Returns
    -------
    list of World

    Raises
    ------
    ScenarioError
        If nothing is uncertain, or a sooner delay ends before the exposure does.
    """
    u, scenario = built.resolved.uncertainty, built.resolved
    tick_us = 1e6 * built.parts.clock.tick_s
    ticks = round(u.delay_us / tick_us)
    ranges: list[list[tuple[str, float, str]]] = [
        [(name, sign * size, f"{words} {sign * size:+g} {unit}") for sign in (-1, 1)]
        for name, size, words, unit in (
            ("resonance", u.resonance_pct, "resonance", "%"),
            ("quality", u.quality_pct, "Q", "%"),
            ("gain", u.gain_pct, "gain", "%"),
            ("delay", ticks * tick_us, "delay", "us"),
        )
        if size
    ]
    if not ranges and u.populations < 2:
        raise ScenarioError(
            "uncertainty: nothing is uncertain in this scenario; set resonance_pct, quality_pct, "
            "gain_pct, delay_us or populations for --robust"
        )
    corners = [dict((n, v) for n, v, _ in c) for c in product(*ranges)]
    labels = [", ".join(text for _, _, text in c) for c in product(*ranges)]
    found: list[World] = []
    total = u.populations * (len(corners) if ranges else 1) + (u.populations - 1 if ranges else -1)
    for k in range(u.populations):
        seed = scenario.seeds.population + k
        base = built if k == 0 else build(scenario.replace(population_seed=seed))
        label = "" if k == 0 else f"population of seed {seed}"
        if k:
            found.append(World(base, label))
        for corner, text in zip(corners, labels, strict=True):
            if corner:
                found.append(World(changed(base, **corner), ", ".join(filter(None, (label, text)))))
            if progress is not None:
                progress(len(found), total)
    return found


def changed(
    built: Built, resonance: float = 0.0, quality: float = 0.0, gain: float = 0.0,
    delay: float = 0.0,
) -> Built:  # fmt: skip
    """Return a switch whose mirrors differ by these percentages, and its delay by so many us.

    The controller, and all that the firmware believes, stay.

    Raises
    ------
    ScenarioError
        If a correction would act before its exposure is over.
    """
    parts = built.parts
    p = parts.population
    mirrors = p._replace(
        resonance_rad_s=p.resonance_rad_s * (1 + 0.01 * resonance),
        quality=p.quality * (1 + 0.01 * quality),
        calibration_ratio=p.calibration_ratio / (1 + 0.01 * gain),
    )
    ticks: Any = parts.delay_ticks + round(1e-6 * delay / parts.clock.tick_s)
    if np.min(ticks) < parts.exposure_ticks:
        raise ScenarioError(
            f"uncertainty.delay_us: a correction cannot act before its exposure is over "
            f"(got {abs(delay):g}, which leaves "
            f"{1e6 * np.min(ticks) * parts.clock.tick_s:g} us of the frame's start)"
        )
    return built._replace(parts=replace(parts, population=mirrors, delay_ticks=ticks))
