"""What happens to margins and residual when the mirrors or the timing are not as described."""

from typing import Any, Final, NamedTuple

import numpy as np

from controllers.analysis.linear_loop import (
    Loop,
    axis_gain,
    close,
    frequency_grid,
    growth,
    largest_singular_value,
    loop_gain,
    sensitivity,
)
from controllers.analysis.linearise import linearise
from controllers.analysis.margins import margins
from controllers.analysis.plant import Plant, population_plant
from controllers.integrator import Integrator
from sim.assembly.build import Built, build
from sim.foundations.errors import ScenarioError
from sim.foundations.ports import PlantBelief
from sim.results.requirements import RequirementsParams
from sim.studies.margins.margins import linear_of
from sim.studies.margins.plant import delay_of, plant_belief, plant_of, stiffening_of
from sim.studies.margins.predict import predict
from sim.studies.margins.spectra import spectra_of

FACTORS: Final = (0.7, 0.8, 0.9, 1.0, 1.1, 1.2, 1.3)
RATES: Final = (0.25, 0.5, 1.0, 2.0, 3.0)
"""Frame rates, as shares of the scenario's. [-]"""
LATENCIES: Final = (0.5, 1.0, 1.5)
"""Read-out and computing, as shares of the scenario's. [-]"""
GRID: Final = 260
BANDS: Final = 80
HALVINGS: Final = 9


class Point(NamedTuple):
    """The worst of the population at one change."""

    what: str
    factor: float
    ms: float | None
    """Largest Ms, both axes together; None if a loop is unstable. [-]"""
    gain_margin_db: float | None
    """Smallest; None if a loop is unstable or none has one. [dB]"""
    phase_margin_deg: float | None
    """Smallest; None if a loop is unstable or none has one. [deg]"""
    jitter_urad: float | None
    """Predicted jitter, radial rms; None if a loop is unstable. [urad]"""


class Fastest(NamedTuple):
    """The fastest plain integrator that keeps the margins for every mirror."""

    frame_hz: float
    latency_us: float
    """Read-out and computing. [us]"""
    gain: float | None
    """None: no gain keeps them. [-]"""
    bandwidth_hz: float | None
    """|S| = -3 dB, of the slowest mirror. [Hz]"""


def changed(built: Built) -> list[Point]:
    """Return the points of every change: resonance, Q, gain, delay and frame rate.

    The first four change the true mirrors or the true delay while the controller stays as it is;
    the delay is the whole time from the frame's start to the drive. The frame rate changes with the
    firmware knows, gains per frame unchanged, to the rates nearest to the factors that divide the
    drive's rate and hold the exposure.
    """
    spectra = spectra_of(built, BANDS)
    belief = plant_belief(built)
    linear = linear_of(built)
    points = []
    for what in ("resonance", "quality", "gain", "delay"):
        for factor in FACTORS:
            if what == "delay" and delay_of(built).min() * factor < belief.exposure_s:
                continue
            plant = _altered(built, belief, what, factor)
            points.append(_point(built, Loop(linear, plant), spectra, what, factor))
    for factor, other in _rates(built):
        loop = Loop(linear_of(other), plant_of(other))
        points.append(_point(other, loop, spectra_of(other, BANDS), "frame rate", factor))
    return points


def _altered(built: Built, belief: PlantBelief, what: str, factor: float) -> Plant:
    population = built.parts.population
    w, q = population.resonance_rad_s, population.quality
    gain = 1.0 / population.calibration_ratio
    if what == "resonance":
        w = w * factor
    elif what == "quality":
        q = q * factor
    elif what == "gain":
        gain = gain * factor
    delay = delay_of(built) + (belief.latency_s - plant_belief(built).latency_s)
    if what == "delay":
        delay = delay * factor
    stiffening = stiffening_of(built)
    return population_plant(belief, w, q, gain, population.cross_axis, stiffening, delay)


def _point(built: Built, loop: Loop, spectra: Any, what: str, factor: float) -> Point:
    if not (growth(close(loop)) < 1.0).all():
        return Point(what, factor, None, None, None, None)
    worst = _worst(loop)
    jitter = 1e6 * predict(built, loop, spectra).total_rad
    gain_db, phase_deg = (v if np.isfinite(v) else None for v in worst[1:])
    return Point(what, factor, worst.ms, gain_db, phase_deg, jitter)


class _Worst(NamedTuple):
    """The worst of a population; infinite where no loop has such a margin."""

    ms: float
    gain_margin_db: float
    phase_margin_deg: float

    def keeps(self, required: RequirementsParams) -> bool:
        """Whether every loop keeps what is required."""
        return (
            self.ms <= required.max_sensitivity
            and self.gain_margin_db >= required.gain_margin_db
            and self.phase_margin_deg >= required.phase_margin_deg
        )


def _worst(loop: Loop) -> _Worst:
    grid = frequency_grid(loop, GRID)
    whole = sensitivity(loop_gain(loop, grid))
    found = margins(grid, axis_gain(whole))
    gain, phase = (np.nan_to_num(v, nan=np.inf).min() for v in (found.gain, found.phase_rad))
    ms = float(largest_singular_value(whole).max())
    return _Worst(ms, float(20 * np.log10(gain)), float(np.degrees(phase)))


def _rates(built: Built) -> list[tuple[float, Built]]:
    """Return (factor, scenario) at frame rates that fit the drive, without its moves' limits."""
    scenario = built.resolved
    update_hz, now = 1e3 * scenario.drive.update_khz, scenario.camera.frame_hz
    counts = sorted({round(update_hz / (now * factor)) for factor in FACTORS})
    found = []
    for count in counts:
        rate = update_hz / count
        try:
            camera = scenario.camera.model_dump() | {"frame_hz": rate}
            found.append((rate / now, build(scenario.replace(camera=camera))))
        except ScenarioError:
            continue  # the exposure no longer fits, or a profile does not
    return found


def _accepted(built: Built) -> dict[float, float]:
    """Return the frame rates, as shares of the scenario's, that it accepts, all else as it is.

    Each with the longest latency accepted; a shorter one is, too. [us]
    """
    scenario, found = built.resolved, {}
    for rate in RATES:
        for share in sorted(LATENCIES, reverse=True):
            camera = scenario.camera.model_dump() | {
                "frame_hz": rate * scenario.camera.frame_hz,
                "latency_us": share * scenario.camera.latency_us,
            }
            try:
                build(scenario.replace(camera=camera))
            except ValueError:
                continue  # exposure, drive ticks or a profile do not fit
            found[rate] = share * scenario.camera.latency_us
            break
    return found


def fastest(built: Built) -> list[Fastest]:
    """Return the highest bandwidth that frame rate and latency allow to a plain integrator.

    Every loop keeps the margins of the scenario's `[requirements]`. Frame rates and latencies that
    the scenario would not accept, with nothing else changed, are left out.

    Notches, prediction and models can do better on well-known mirrors; this is the plain limit.
    The search halves the range of gains, taking the margins to fall as the gain rises.

    Parameters
    ----------
    built : Built
        The scenario, built.

    Returns
    -------
    list of Fastest
        One for each frame rate and latency.
    """
    scenario = built.resolved
    belief = plant_belief(built)
    accepted = _accepted(built)
    rows = []
    for share in LATENCIES:
        latency_us = share * scenario.camera.latency_us
        for rate, most_us in accepted.items():
            frame_s = belief.frame_s / rate
            if latency_us > most_us:
                continue
            here = belief._replace(
                frame_s=frame_s, latency_s=belief.exposure_s + 1e-6 * latency_us
            )
            plant = _altered(built, here, "gain", 1.0)
            low, high = 0.0, 2.0
            for _ in range(HALVINGS):
                middle = 0.5 * (low + high)
                loop = _integrator(here, plant, middle)
                if _worst(loop).keeps(scenario.requirements) and (growth(close(loop)) < 1.0).all():
                    low = middle
                else:
                    high = middle
            if low == 0.0:
                rows.append(Fastest(1 / frame_s, latency_us, None, None))
                continue
            loop = _integrator(here, plant, low)
            grid = frequency_grid(loop, GRID)
            gain = axis_gain(sensitivity(loop_gain(loop, grid)))
            bandwidth = float(np.nanmin(margins(grid, gain).bandwidth_hz))
            rows.append(Fastest(1 / frame_s, latency_us, low, bandwidth))
    return rows


def _integrator(belief: PlantBelief, plant: Plant, gain: float) -> Loop:
    return Loop(linearise(Integrator(Integrator.Params(integral_per_frame=gain), belief)), plant)
