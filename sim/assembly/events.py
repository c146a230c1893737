"""The events of a run, from the scenario: what each knows of the run that it happens in."""

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sim.assembly.plug_ins import PlugIn, made
from sim.camera.sensor import Layout
from sim.events.groups import boards_of, cameras_of
from sim.foundations.errors import ScenarioError
from sim.foundations.ports import Clock, Disturbance, EventSite, RunEvent, WithSurroundings
from sim.foundations.rng import Stream
from sim.scenario.model import Scenario


def events_of(
    scenario: Scenario, plug_ins: Sequence[PlugIn], clock: Clock, mirrors: NDArray[np.int64],
    layout: Layout, disturbances: tuple[Disturbance[Any], ...],
) -> tuple[RunEvent, ...]:  # fmt: skip
    """Make the events of a run; those from outside whose code is not run are left out.

    Raises
    ------
    ScenarioError
        If boards or cameras share a mirror, or an event is of something that the run has not.
    """
    geometry = scenario.switch.geometry
    ports, outputs = geometry.ports_per_side, geometry.outputs
    boards = boards_of(scenario.boards, mirrors, ports, outputs)
    cameras = cameras_of(scenario.cameras, mirrors, ports, outputs)
    found = []
    for number, plug_in in enumerate(plug_ins):
        if plug_in.part is None:
            continue
        site = EventSite(
            clock=clock,
            mirror_ids=mirrors,
            ports=ports,
            outputs=outputs,
            boards=boards,
            cameras=cameras,
            key=(scenario.seeds.noise, Stream.EVENTS + number),
            exposure_s=1e-6 * scenario.camera.exposure_us,
            stop_rad=_pair(scenario.mirror.travel_mrad),
            sensor_rows=layout.shape[0],
            disturbances=disturbances,
            images=scenario.camera.noise != "equivalent",
        )
        event = made(plug_in, site)
        if not isinstance(event, RunEvent):
            raise ScenarioError(
                f'{plug_in.key}: "{plug_in.written["kind"]}" needs event, mirrors, lateness and '
                "faults, see RunEvent"
            )
        found.append(event)
    return tuple(found)


def surroundings_of(events: Sequence[RunEvent]) -> tuple[Disturbance[Any], ...]:
    """Return what events do by way of the surroundings."""
    return tuple(
        each for event in events if isinstance(event, WithSurroundings)
        for each in event.surroundings
    )  # fmt: skip


def _pair(mrad: tuple[float, float]) -> tuple[float, float]:
    x, y = mrad
    return 1e-3 * x, 1e-3 * y
