"""The time base of a run, and whether its rates and intervals fit together."""

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from sim.foundations.errors import ProfileError, ScenarioError
from sim.foundations.ports import Clock
from sim.mirror.population import Population
from sim.results.hold import hold_of
from sim.scenario.model import Scenario

RATIO_ROUNDING: Final = 1e-6
MOST_TICKS: Final = 4096
"""Drive updates in a frame: what a frame makes of each is laid out in a table."""
MOST_RUN_TICKS: Final = 2**31
"""Drive updates in a run: they are counted in 32 bits."""


def clock_of(scenario: Scenario) -> Clock:
    """Return the time base; ticks, frames and exposure must fit together."""
    camera = scenario.camera
    ticks = whole_ratio("camera.frame_hz", 1e3 * scenario.drive.update_khz, camera.frame_hz)
    frame_s = 1.0 / camera.frame_hz
    if camera.exposure_us * 1e-6 > frame_s * (1 + RATIO_ROUNDING):
        raise ScenarioError(
            f"camera.exposure_us: must not exceed the frame period, {1e6 * frame_s:g} us "
            f"(got {camera.exposure_us:g})"
        )
    if ticks > MOST_TICKS:
        raise ScenarioError(
            f"camera.frame_hz: a frame may last {MOST_TICKS} updates of the drive at most "
            f"(it lasts {ticks})"
        )
    frames = math.floor(scenario.duration_ms * 1e-3 / frame_s + RATIO_ROUNDING)
    if frames * ticks >= MOST_RUN_TICKS:
        raise ScenarioError(
            f"duration_ms: a run may last {MOST_RUN_TICKS} updates of the drive at most "
            f"(it lasts {frames * ticks})"
        )
    if frames < 1:
        raise ScenarioError(
            f"duration_ms: must hold at least one frame of {1e3 * frame_s:g} ms "
            f"(got {scenario.duration_ms:g})"
        )
    return Clock(1e-3 / scenario.drive.update_khz, ticks, frames)


def whole_ratio(key: str, update_hz: float, rate_hz: float) -> int:
    """Return how many drive ticks a period has; a key of the scenario gives its rate."""
    ratio = update_hz / rate_hz
    if round(ratio) < 1 or abs(ratio - round(ratio)) > RATIO_ROUNDING * ratio:
        raise ScenarioError(
            f"{key}: must divide the drive's update rate, {update_hz:g} Hz (got {rate_hz:g})"
        )
    return round(ratio)


def ticks_until(lasts_us: float, clock: Clock) -> int:
    """Return the ticks of the drive until a time of the scenario is over. [us -> 1]"""
    return math.ceil(1e-6 * lasts_us / clock.tick_s - RATIO_ROUNDING)


def delays_of(
    scenario: Scenario, population: Population, clock: Clock, latency_ticks: int,
    exposure_ticks: int,
) -> NDArray[np.int64]:  # fmt: skip
    """Return the ticks (M, 2) from a frame's start until its correction acts, mirror by mirror.

    A measured delay is taken to the nearest tick of the drive, the only instants at which it acts.

    Raises
    ------
    ScenarioError
        If no reading would act within the run.
    ProfileError
        If a measured delay ends before the exposure does.
    """
    measured = np.rint(population.delay_s / clock.tick_s)
    delay = np.where(np.isnan(measured), latency_ticks, measured).astype(np.int64)
    if (delay < exposure_ticks).any():
        raise ProfileError(
            f"{scenario.mirror.population}: delay_us: a correction must act after the exposure "
            f"that it is made from, {scenario.camera.exposure_us:g} us "
            f"(got {1e6 * np.nanmin(population.delay_s):.4g})"
        )
    if delay.max() >= clock.n_frames * clock.ticks_per_frame:
        key = "camera.latency_us" if np.isnan(measured).all() else "the delays"
        raise ScenarioError(
            f"{key}: the first reading must act within the run of "
            f"{1e3 * clock.n_frames * clock.frame_s:g} ms (it acts after "
            f"{1e3 * int(delay.max()) * clock.tick_s:g} ms)"
        )
    return delay


def check_hold(scenario: Scenario, clock: Clock) -> None:
    """Figures need at least one whole sampling interval in the hold interval."""
    metrics = scenario.metrics
    end_ms = 1e3 * clock.n_frames * clock.frame_s
    asked_ms = end_ms if metrics.hold_to_ms is None else metrics.hold_to_ms
    if asked_ms > max(end_ms, scenario.duration_ms) * (1 + RATIO_ROUNDING):
        raise ScenarioError(
            f"metrics.hold_to_ms: the hold interval must end within the run of {end_ms:g} ms "
            f"(got {asked_ms:g})"
        )
    to_ms = hold_of(metrics, end_ms).to_ms
    least_ms = 2e3 / scenario.traces.sample_hz
    if metrics.hold_from_ms > to_ms - least_ms:
        raise ScenarioError(
            f"metrics.hold_from_ms: must leave two sampling intervals, {least_ms:g} ms, before the "
            f"hold interval ends at {to_ms:g} ms (got {metrics.hold_from_ms:g})"
        )
    if metrics.dwell_ms < 1e3 / scenario.traces.sample_hz:
        raise ScenarioError(
            f"metrics.dwell_ms: must be at least a sampling interval, "
            f"{1e3 / scenario.traces.sample_hz:g} ms (got {metrics.dwell_ms:g})"
        )
