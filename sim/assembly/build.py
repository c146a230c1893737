"""From a checked scenario to the parts of a run: the one place that knows both sides."""

from collections.abc import Sequence
from pathlib import Path
from types import ModuleType
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.assembly.arithmetic import Arithmetic, arithmetic_of
from sim.assembly.belief import believed_plant
from sim.assembly.calibrated import beliefs_of
from sim.assembly.camera import layout_of, search_of
from sim.assembly.cost import Budget, check_memory
from sim.assembly.events import events_of, surroundings_of
from sim.assembly.firmware import leak_warning, reader_of
from sim.assembly.health import attendant_of
from sim.assembly.named import parts_named
from sim.assembly.pictures import choose_pictures
from sim.assembly.plant import drawn_mirrors, fleet_of
from sim.assembly.plug_ins import PlugIn, made
from sim.assembly.reach import check_reach
from sim.assembly.servo import servo_of
from sim.assembly.stand_ins import StandIn
from sim.assembly.timing import check_hold, clock_of, delays_of, ticks_until, whole_ratio
from sim.calibration.results import Beliefs
from sim.camera.settings import CameraParams, nominal_belief
from sim.foundations.errors import ScenarioError
from sim.foundations.kinds.outside import Outside
from sim.foundations.ports import Array, Beams, Clock, PlantBelief, Site, shows_event
from sim.foundations.rng import Stream
from sim.kernels.installed import installed
from sim.life.condition import Condition
from sim.loop.parts import Parts
from sim.loop.reference import Reference, exposure_samples
from sim.mechanics.bracket import Bracket
from sim.mechanics.isolator import Isolator
from sim.scenario.model import Scenario

_NO_FLEET: Any = None
"""In parts that are not going to be run."""


class Built(NamedTuple):
    """A run, ready to go."""

    parts: Parts
    resolved: Scenario
    """The scenario with every default of its plug-ins filled in."""
    warnings: tuple[str, ...]
    """What the user should know about the input; nothing was altered."""
    outside: tuple[Outside, ...]
    """Where the code is that does not come with mirrorloop."""
    arithmetic: Arithmetic
    """What the estimator computes in a frame, and the time there is for it."""


def build(
    scenario: Scenario,
    kernels: ModuleType | None = None,
    *,
    load: bool = True,
    to_run: bool = True,
    budget: Budget | None = None,
    condition: Condition | None = None,
    beliefs: Beliefs | None = None,
) -> Built:
    """Make the parts of a run, and check what no single block can.

    Parameters
    ----------
    scenario : Scenario
        As read.
    kernels : module, optional
        `sim.kernels.plain` for the plain form; the compiled kernels if left out, where numba is
        installed.
    load : bool
        Whether code from outside is run. Without it stand-ins take its place: all else is checked,
        and the parts are not fit to be run.
    to_run : bool
        Whether the parts are going to be run. Without it what only a run needs is left out: the
        mirrors' motion, the spread of the connectors' losses, and frames for pictures, for which
        every record would be played from end to end.
    budget : Budget, optional
        The most memory that the run may take; `default_budget` if left out.
    condition : Condition, optional
        What years have made of the switch; as built if left out.
    beliefs : Beliefs, optional
        What the firmware goes by after a calibration; that of the scenario if left out.

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
    check_memory(scenario, budget)
    if kernels is None:
        kernels = installed()
    named = parts_named(scenario, load=load)
    camera, seeds = scenario.camera, scenario.seeds
    clock = clock_of(scenario)
    check_hold(scenario, clock)
    exposure_ticks = ticks_until(camera.exposure_us, clock)
    latency_ticks = ticks_until(camera.exposure_us + camera.latency_us, clock)
    layout = layout_of(scenario)
    if beliefs is None:
        beliefs = beliefs_of(scenario, layout)
    plant = drawn_mirrors(
        scenario, clock, named.disturbances, beliefs=beliefs, condition=condition, to_run=to_run
    )
    mirrors = plant.mirrors
    _check_reads(named.estimator, camera, len(mirrors))
    delay_ticks = delays_of(scenario, plant.population, clock, latency_ticks, exposure_ticks)
    check_reach(scenario, mirrors, plant.commands, plant.drive_limit_rad)

    belief = believed_plant(scenario, clock, latency_ticks, plant.drive.lag_s)
    weights = exposure_samples(clock, belief.exposure_s, scenario.engine.exposure_samples)
    reference = Reference(
        plant.commands, _part(named.shaping, belief), belief, clock,
        scenario.mirror.cubic_per_rad2, weights.mean(axis=0),
        None if beliefs is None else beliefs.of_mirrors("cross_axis", mirrors).T,
    )  # fmt: skip
    share = plant.commands[0].target_rad / plant.drive_limit_rad
    disturbances = tuple(
        _part(part, _site(scenario, clock, mirrors, i, share, plant.beams))
        for i, part in enumerate(named.disturbances)
    )
    resolved = named.resolved(scenario)
    servo = servo_of(scenario, named, plant, belief, layout, beliefs, kernels)
    events = events_of(scenario, named.events, clock, mirrors, layout, disturbances)
    parts = Parts(
        clock=clock,
        seed=seeds.noise,
        mirrors=mirrors,
        inputs=plant.inputs,
        epochs=plant.epochs,
        epoch_frames=plant.epoch_frames,
        population=plant.population,
        fleet=fleet_of(scenario, plant) if to_run else _NO_FLEET,
        drive=plant.drive,
        drive_limit_rad=plant.drive_limit_rad,
        disturbances=(*disturbances, *surroundings_of(events)),
        isolator=None if scenario.isolator is None else Isolator(scenario.isolator, clock.tick_s),
        bracket=None if scenario.bracket is None else Bracket(scenario.bracket, clock.tick_s),
        reference=reference,
        measurement=servo.measurement,
        exposure_weights=weights,
        exposure_ticks=exposure_ticks,
        latency_ticks=latency_ticks,
        delay_ticks=delay_ticks,
        scale_px_per_rad=1e3 * camera.scale_px_per_mrad,
        row_s=1e-6 * camera.row_us,
        search=search_of(camera),
        controller=servo.controller,
        interval_ticks=whole_ratio(
            "traces.sample_hz", 1e3 * scenario.drive.update_khz, scenario.traces.sample_hz
        ),
        tolerance_rad=1e-6 * scenario.metrics.tolerance_urad,
        outage_db=scenario.metrics.outage_excess_db,
        pictures=choose_pictures(
            clock, plant.epoch_frames, [d for d in disturbances if shows_event(d)]
        ) if to_run else (),
        kernels=kernels,
        scenario=resolved.model_dump(mode="json", exclude_none=True),
        coded=servo.coded,
        lens=servo.lens,
        believed_lens=servo.believed_lens,
        guard=servo.guard,
        events=events,
        health=attendant_of(
            scenario, named.watch, belief, clock, mirrors, plant.switch,
            None if condition is None else condition.gained_db, coded=servo.coded is not None,
        ),
    )
    arithmetic = arithmetic_of(resolved, named.estimator.part)
    warnings = _warnings(parts, disturbances, plant.warnings)
    return Built(parts, resolved, warnings, named.outside, arithmetic)


def _warnings(
    parts: Parts, disturbances: Sequence[Any], of_plant: Sequence[str]
) -> tuple[str, ...]:
    """Return what the parts have to say of their input."""
    watches = () if parts.health is None else (parts.health.watch,)
    speaking = (
        *disturbances, *parts.events, *watches, parts.measurement.correction, parts.believed_lens,
        parts.guard,
    )  # fmt: skip
    return (
        *(w for each in speaking for w in getattr(each, "warnings", ())),
        *of_plant,
        *leak_warning(parts.controller),
        *(() if parts.coded is None else parts.coded.warnings),
    )


def _part(plug_in: PlugIn, world: PlantBelief | Site) -> Any:
    return StandIn() if plug_in.part is None else made(plug_in, world)


def _site(
    scenario: Scenario, clock: Clock, mirrors: NDArray[np.int64], number: int, share: Array,
    beams: Beams,
) -> Site:  # fmt: skip
    seeds, stream = scenario.seeds, Stream.DISTURBANCES + number
    return Site(
        clock, mirrors, (seeds.noise, stream), Path(), scenario.age_h, (seeds.population, stream),
        share,
        beams,
    )


def _check_reads(estimator: PlugIn, camera: CameraParams, count: int) -> None:
    """An estimator that cannot take the camera's windows says so on empty ones.

    One that states a rule for windows is held to that first, elsewhere.
    """
    if estimator.part is None or estimator.settings is None:
        return
    rule = estimator.part.window_fault
    if rule is not None and rule(camera.window_px) is not None:
        return
    read = reader_of(estimator, camera)
    empty = np.full((count, *camera.window_px), round(camera.black_dn), dtype=np.int32)
    try:
        read(empty, camera=nominal_belief(camera))
    except ScenarioError:
        raise
    except ValueError as exc:
        raise ScenarioError(f"{estimator.key}: {exc}") from exc
