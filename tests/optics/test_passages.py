"""The strongest crosstalk of wandering beams, against every instant looked at by itself."""

import numpy as np
import pytest

from sim.optics.build_errors import build_switch
from sim.optics.crosstalk import Pairs, crosstalk_db, pair_rays
from sim.optics.geometry import SwitchGeometry, connect
from sim.optics.passages import strongest_passage
from sim.scenario.model import load_scenario
from tests.events.rig import ONE

SETS = ("switch.geometry.ports_per_side=12", "switch.geometry.columns=4", "duration_ms=10")


@pytest.fixture(scope="module")
def switch():
    params = load_scenario(ONE, SETS).switch
    geometry = SwitchGeometry.from_params(params.geometry)
    ports = np.arange(12)
    outputs = ports[::-1].copy()
    found = connect(geometry, ports, outputs)
    aims = np.concatenate([found.tilt_a_rad, found.tilt_b_rad], axis=1)
    return params, build_switch(geometry, params.optics, params.build, 1), ports, outputs, aims


def fall(aims, beams, to, count):
    """Tilts (T, C, 4) of which some mirrors A turn evenly to a part of their aim."""
    tilt = np.repeat(aims[None], count, axis=0)
    tilt[:, beams, :2] *= np.linspace(1.0, to, count)[:, None, None]
    return tilt


@pytest.mark.parametrize("to", [0.0, -0.6])
def test_the_strongest_passage_is_that_of_every_instant(switch, to):
    params, built, inputs, outputs, aims = switch
    beams, victims = np.array([0, 5, 11]), np.array([1, 2, 3, 4, 6, 7, 8, 9, 10])
    found = strongest_passage(
        built, params.optics, inputs, outputs, fall(aims, beams, to, 12), beams, victims
    )
    pairs = Pairs(np.repeat(beams, len(victims)), np.tile(victims, len(beams)))
    strongest = np.inf
    for tilt in fall(aims, beams, to, 90):
        rays = pair_rays(built, inputs, outputs, (tilt[:, :2], tilt[:, 2:]), pairs)
        loss = crosstalk_db(rays, params.optics, built.geometry.waist_to_receiver_m)
        strongest = min(strongest, float(loss.min()))
    # Instants are not the same, and the light goes up and down on the way.
    assert abs(found.crosstalk_db - strongest) < 1.0
    assert found.beam in beams and found.victim in victims
    # At the instant that is named, each tilt in proportion between its samples. Fields are
    # sampled anew for other beams, which is worth some hundredths of a dB.
    rows, row = np.arange(12), found.row
    flat = fall(aims, beams, to, 12).reshape(12, -1)
    tilt = np.array([np.interp(row, rows, column) for column in flat.T]).reshape(-1, 4)
    pair = Pairs(np.array([found.beam]), np.array([found.victim]))
    rays = pair_rays(built, inputs, outputs, (tilt[:, :2], tilt[:, 2:]), pair)
    loss = crosstalk_db(rays, params.optics, built.geometry.waist_to_receiver_m)
    assert found.crosstalk_db == pytest.approx(float(loss[0]), abs=0.05)


def test_a_beam_at_rest_and_no_beam_at_all(switch):
    params, built, inputs, outputs, aims = switch
    none = np.zeros(0, np.int64)
    args = (built, params.optics, inputs, outputs)
    assert strongest_passage(*args, aims[None], none, np.array([1])) is None
    one = strongest_passage(*args, aims[None], np.array([0]), np.array([1]))
    rays = pair_rays(built, inputs, outputs, (aims[:, :2], aims[:, 2:]),
                     Pairs(np.array([0]), np.array([1])))  # fmt: skip
    alone = crosstalk_db(rays, params.optics, built.geometry.waist_to_receiver_m)
    assert one.crosstalk_db == pytest.approx(float(alone[0]), abs=1e-9)
    assert (one.beam, one.victim, one.row, one.at_least) == (0, 1, 0.0, False)
