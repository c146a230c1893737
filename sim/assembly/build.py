"""From a checked scenario to the parts of a run: the one place that knows both sides."""

import math
from importlib import import_module
from pathlib import Path
from types import ModuleType
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from controllers import CONTROLLERS, SHAPERS
from sim.assembly.plug_ins import PlugIn, made, plug_in
from sim.assembly.stand_ins import StandIn
from sim.camera.equivalent_noise import check_meaning
from sim.camera.measurement import Measurement
from sim.camera.noise_fit import fill_table
from sim.camera.search import SearchRule
from sim.camera.sensor import Layout, make_layout
from sim.camera.settings import CameraParams
from sim.disturbances import DISTURBANCES
from sim.errors import ScenarioError
from sim.estimators import ESTIMATORS
from sim.loop.parts import Parts
from sim.loop.reference import Command, Reference, exposure_samples
from sim.mechanics.bracket import Bracket
from sim.mechanics.isolator import Isolator
from sim.mirror.population import draw_population
from sim.mirror.propagator import make_drive, make_fleet
from sim.optics.epochs import connected_epochs
from sim.outside import Outside
from sim.ports import Array, Clock, PlantBelief, Site, SpotReading, shows_event
from sim.results.hold import hold_of
from sim.rng import Stream
from sim.scenario.model import Scenario, Seeds

RATIO_ROUNDING = 1e-6


class Built(NamedTuple):
    """A run, ready to go."""

    parts: Parts
    resolved: Scenario
    """The scenario with every default of its plug-ins filled in."""
    warnings: tuple[str, ...]
    """What the user should know about the input; nothing was altered."""
    outside: tuple[Outside, ...]
    """Where the code is that does not come with mirrorloop."""


def build(
    scenario: Scenario, kernels: ModuleType | None = None, *, load: bool = True
) -> Built:
    """Make the parts of a run, and check what no single block can.

    Parameters
    ----------
    scenario : Scenario
        As read.
    kernels : module, optional
        `sim.kernels.plain` for the plain form; the compiled kernels if left out.
    load : bool
        Whether code from outside is run. Without it stand-ins take its place: all else is checked,
        and the parts are not fit to be run.

    Returns
    -------
    Built

    Raises
    ------
    ScenarioError
        If parts do not exist, do not fit together, or ask for more than the mirrors can do.
    ProfileError
        If a recorded file cannot be used.
    """
    if kernels is None:
        kernels = import_module("sim.kernels.compiled")
    estimator = plug_in(ESTIMATORS, scenario.estimator, "estimator", load=load)
    controller = plug_in(CONTROLLERS, scenario.controller, "controller", load=load)
    shaping = plug_in(SHAPERS, scenario.shaping, "shaping", load=load)
    disturbance_plug_ins = [
        plug_in(DISTURBANCES, tree, f"disturbances.{i}", load=load)
        for i, tree in enumerate(scenario.disturbances)
    ]
    plug_ins = (estimator, controller, shaping, *disturbance_plug_ins)

    seeds = scenario.seeds
    clock = _clock(scenario)
    _check_hold(scenario, clock)
    camera = scenario.camera
    exposure_ticks = math.ceil(camera.exposure_us * 1e-6 / clock.tick_s - RATIO_ROUNDING)
    latency_s = 1e-6 * (camera.exposure_us + camera.latency_us)
    latency_ticks = math.ceil(latency_s / clock.tick_s - RATIO_ROUNDING)
    drive = make_drive(scenario.drive, scenario.engine.substeps)
    mirrors, inputs, epochs, epoch_frames = connected_epochs(
        scenario.switch, clock, seed=seeds.connections, population_seed=seeds.population
    )
    population = draw_population(
        scenario.mirror, mirrors, seeds.population, scenario.drive.calibration_error_pct
    )
    fleet = make_fleet(scenario.mirror, population, scenario.drive.gain, drive)
    swing = drive.lsb_v * (drive.codes - 1)
    drive_limit = fleet.believed_gain.T * (swing**2 if drive.square else swing)
    commands = tuple(
        Command(frame, epoch.aim_rad + population.alignment_rad)
        for frame, epoch in zip(epoch_frames, epochs, strict=True)
    )
    _check_reach(scenario, mirrors, commands, drive_limit)

    belief = PlantBelief(
        frame_s=clock.frame_s,
        exposure_s=1e-6 * camera.exposure_us,
        latency_s=latency_ticks * clock.tick_s,
        tick_s=clock.tick_s,
        resonance_rad_s=_pair(2 * np.pi * np.array(scenario.mirror.resonance_hz)),
        quality=_pair(scenario.mirror.quality),
        amplifier_s=drive.lag_s,
        limit_rad=1e-3 * min(scenario.drive.full_scale_mrad, *scenario.mirror.travel_mrad),
    )
    weights = exposure_samples(clock, belief.exposure_s, scenario.engine.exposure_samples)
    shaper = _part(shaping, belief)

    def reference() -> Reference:
        return Reference(
            commands, shaper, belief, clock, scenario.mirror.cubic_per_rad2, weights.mean(axis=0)
        )

    disturbances = tuple(
        _part(trouble, _site(scenario, clock, mirrors, i))
        for i, trouble in enumerate(disturbance_plug_ins)
    )
    layout = _layout(scenario)
    parts = Parts(
        clock=clock,
        seed=seeds.noise,
        mirrors=mirrors,
        inputs=inputs,
        epochs=epochs,
        epoch_frames=epoch_frames,
        population=population,
        fleet=fleet,
        drive=drive,
        drive_limit_rad=drive_limit,
        disturbances=disturbances,
        isolator=None if scenario.isolator is None else Isolator(scenario.isolator, clock.tick_s),
        bracket=None if scenario.bracket is None else Bracket(scenario.bracket, clock.tick_s),
        reference=reference,
        measurement=_measurement(camera, mirrors, seeds, estimator, kernels, layout),
        exposure_weights=weights,
        exposure_ticks=exposure_ticks,
        latency_ticks=latency_ticks,
        scale_px_per_rad=1e3 * camera.scale_px_per_mrad,
        row_s=1e-6 * camera.row_us,
        search=_search(camera),
        controller=_part(controller, belief),
        interval_ticks=_whole_ratio(
            "traces.sample_hz", 1e3 * scenario.drive.update_khz, scenario.traces.sample_hz
        ),
        tolerance_rad=1e-6 * scenario.metrics.tolerance_urad,
        outage_db=scenario.metrics.outage_excess_db,
        pictures=_pictures(clock, epoch_frames, [d for d in disturbances if shows_event(d)]),
        kernels=kernels,
    )
    resolved = scenario.replace(
        estimator=estimator.written,
        controller=controller.written,
        shaping=shaping.written,
        disturbances=[trouble.written for trouble in disturbance_plug_ins],
    )
    warnings = tuple(w for d in disturbances for w in getattr(d, "warnings", ()))
    outside = tuple(part.outside for part in plug_ins if part.outside is not None)
    return Built(parts, resolved, warnings, outside)


def _part(plug_in: PlugIn, world: PlantBelief | Site) -> Any:
    return StandIn() if plug_in.part is None else made(plug_in, world)


def _measurement(
    camera: CameraParams, mirrors: NDArray[np.int64], seeds: Seeds, estimator: PlugIn,
    kernels: ModuleType, layout: Layout,
) -> Measurement:  # fmt: skip
    """The camera and its reader; for `equivalent`, with a table made by it."""
    seed = seeds.noise
    if estimator.part is None or estimator.settings is None:
        return Measurement(camera, mirrors, seed, StandIn(), None, kernels, layout)
    check_window = estimator.part.window_fault
    fault = None if check_window is None else check_window(camera.window_px)
    if fault is not None:
        raise ScenarioError(
            f'camera.window_px: estimator "{estimator.written["kind"]}" {fault} '
            f"(got {list(camera.window_px)})"
        )
    read = estimator.part.bound(estimator.settings, estimator.written["kind"])
    pixel_sums = estimator.part.pixel_sums
    sums = None if pixel_sums is None else pixel_sums(estimator.settings)._asdict()
    measurement = Measurement(
        camera, mirrors, seed, read, sums, kernels, layout, pattern_seed=seeds.population
    )
    if camera.noise != "equivalent":
        return measurement
    check_meaning(camera, measurement.camera)
    kernels = import_module("sim.kernels.compiled")

    def reading(spots_px: Array, batch: int) -> SpotReading:
        many = Measurement(camera, np.arange(spots_px.shape[1]), seed, read, sums, kernels)
        return many.read(spots_px[None], batch)

    measurement.table = fill_table(camera.window_px, reading)
    return measurement


def _site(scenario: Scenario, clock: Clock, mirrors: NDArray[np.int64], number: int) -> Site:
    seeds, stream = scenario.seeds, Stream.DISTURBANCES + number
    return Site(
        clock, mirrors, (seeds.noise, stream), Path(), scenario.age_h, (seeds.population, stream)
    )


def _pair(values: Any) -> tuple[float, float]:
    x, y = values
    return float(x), float(y)


def _clock(scenario: Scenario) -> Clock:
    camera = scenario.camera
    ticks = _whole_ratio("camera.frame_hz", 1e3 * scenario.drive.update_khz, camera.frame_hz)
    frame_s = 1.0 / camera.frame_hz
    if camera.exposure_us * 1e-6 > frame_s * (1 + RATIO_ROUNDING):
        raise ScenarioError(
            f"camera.exposure_us: must not exceed the frame period, {1e6 * frame_s:g} us "
            f"(got {camera.exposure_us:g})"
        )
    frames = math.floor(scenario.duration_ms * 1e-3 / frame_s + RATIO_ROUNDING)
    if frames < 1:
        raise ScenarioError(
            f"duration_ms: must hold at least one frame of {1e3 * frame_s:g} ms "
            f"(got {scenario.duration_ms:g})"
        )
    return Clock(1e-3 / scenario.drive.update_khz, ticks, frames)


def _layout(scenario: Scenario) -> Layout:
    """Fields of the mirrors on the sensor; a rolling shutter must be through with it in time."""
    camera, geometry = scenario.camera, scenario.switch.geometry
    layout = make_layout(camera, geometry.ports_per_side, geometry.columns)
    frame_us = 1e6 / camera.frame_hz
    spare_us = min(camera.latency_us, frame_us - camera.exposure_us)
    rolled_us = camera.row_us * layout.shape[0]
    if rolled_us > spare_us * (1 + RATIO_ROUNDING):
        raise ScenarioError(
            f"camera.row_us: {layout.shape[0]} rows must start within the read-out and within the "
            f"frame, {spare_us:g} us, so at most {spare_us / layout.shape[0]:.3g} us a row "
            f"(got {camera.row_us:g})"
        )
    return layout


def _search(camera: CameraParams) -> SearchRule | None:
    if camera.search_after_frames is None:
        return None
    home_px = min(camera.window_px) / 8
    return SearchRule(
        camera.search_after_frames, camera.search_frames, camera.spot_sigma_px, home_px
    )


def _check_hold(scenario: Scenario, clock: Clock) -> None:
    """Figures need at least one whole sampling interval in the hold interval."""
    metrics = scenario.metrics
    to_ms = hold_of(metrics, 1e3 * clock.n_frames * clock.frame_s).to_ms
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


def _whole_ratio(key: str, update_hz: float, rate_hz: float) -> int:
    ratio = update_hz / rate_hz
    if round(ratio) < 1 or abs(ratio - round(ratio)) > RATIO_ROUNDING * ratio:
        raise ScenarioError(
            f"{key}: must divide the drive's update rate, {update_hz:g} Hz (got {rate_hz:g})"
        )
    return round(ratio)


def _check_reach(
    scenario: Scenario,
    mirrors: NDArray[np.int64],
    commands: tuple[Command, ...],
    drive_limit_rad: Array,
) -> None:
    travel = 1e-3 * np.array(scenario.mirror.travel_mrad)
    cubic = np.array(scenario.mirror.cubic_per_rad2)
    for command in commands:
        asked = command.target_rad * (1 + cubic * command.target_rad**2)
        for what, wanted, limit in (
            ("mirror.travel_mrad: target beyond the travel", command.target_rad, travel),
            ("drive.full_scale_mrad: target beyond the drive's end", asked, drive_limit_rad),
        ):
            over = np.abs(wanted) - limit
            m, axis = np.unravel_index(over.argmax(), over.shape)
            if over[m, axis] > 0:
                bound = np.broadcast_to(limit, wanted.shape)[m, axis]
                raise ScenarioError(
                    f"{what}: mirror {mirrors[m]} must turn {1e3 * wanted[m, axis]:.2f} mrad "
                    f"about {'xy'[axis]}, at most {1e3 * bound:.2f} mrad is possible"
                )


def _pictures(
    clock: Clock, epoch_frames: tuple[int, ...], shaking: list[Any]
) -> tuple[tuple[str, int], ...]:
    """Choose frames worth a look: before, during and after what happens first."""
    last = clock.n_frames - 1
    moved = len(epoch_frames) > 1
    event = epoch_frames[1] if moved else _loudest_frame(clock, shaking)
    name = "the move" if moved else "the strongest acceleration"
    if event is None:
        chosen = [("first frame", 0), ("middle of the run", last // 2), ("last frame", last)]
    else:
        chosen = [
            (f"before {name}", max(event - 3, 0)),
            (f"at {name}", min(event + 1, last)),
            ("last frame", last),
        ]
    return tuple({frame: (text, frame) for text, frame in reversed(chosen)}.values())[::-1]


def _loudest_frame(clock: Clock, shaking: list[Any]) -> int | None:
    """Frame of the largest base acceleration of what is worth a picture; None without any."""
    best, where = 0.0, None
    for disturbance in shaking:
        state = disturbance.initial_state()
        for first in range(0, clock.n_frames, 1000):
            count = min(1000, clock.n_frames - first)
            state, effects = disturbance.advance(state, first, count)
            if effects.acceleration_m_s2 is None:
                continue
            size = np.linalg.norm(effects.acceleration_m_s2, axis=1)
            if size.max() > best:
                best, where = size.max(), first + int(size.argmax()) // clock.ticks_per_frame
    return where
