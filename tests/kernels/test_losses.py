"""Losses of connections far off their aim: both kernels, and fields propagated by the test."""

from types import ModuleType

import numpy as np
import pytest

from sim.kernels import compiled, plain
from sim.kernels.compiled import couplings as compiled_couplings
from sim.kernels.threads import on_threads
from sim.optics import couplings as plain_couplings
from sim.optics.beams import (
    FORM_ERROR_DB,
    FORM_RANGES_DB,
    NO_LIGHT_DB,
    CoupledBeams,
    collimator_rows,
    edge_points,
    mirror_rows,
    misalignment_db,
)
from sim.optics.build_errors import build_switch
from sim.optics.geometry import SwitchGeometry
from sim.optics.links import Links, beams, light_of, links
from sim.optics.rays import Rays, aim, trace
from sim.optics.switch import SwitchParams
from sim.scenario.gallery import find
from sim.scenario.model import load_scenario
from tests.optics.test_overlap import Fields
from tests.watching import blank_losses, watching

CASES = ("harrow_point_earthquake", "harrow_point_switch")
"""A switch as designed, and one as built."""
SEED = 20


def some(case: str, count: int) -> tuple[SwitchParams, np.ndarray, np.ndarray, Links, CoupledBeams]:
    """Some connections of a switch: ports, aims and beams."""
    switch = load_scenario(find(case)).switch
    inputs = np.arange(count) % 96
    outputs = np.random.default_rng(3).permutation(96)[:count]
    found = links(switch, SEED, inputs, outputs)
    return switch, inputs, outputs, found, beams(switch, SEED, inputs, outputs, found)


def aims_of(found: Links) -> np.ndarray:
    """(C, 4)"""
    return np.concatenate([found.connections.tilt_a_rad, found.connections.tilt_b_rad], axis=1)


def off_by(found: Links, loss_db: float, seed: int = 0) -> np.ndarray:
    """Errors (C, 4) in random directions that cost so much by the form."""
    way = np.random.default_rng(seed).normal(size=(len(found.form_db), 4))
    by_form_db = np.einsum("ci,cij,cj->c", way, found.form_db, way)
    return way * np.sqrt(loss_db / by_form_db)[:, None]


def observed(kernels: ModuleType, case: str, threads: int = 1) -> list[np.ndarray]:
    """Forty connections in five frames of four ticks: near, far, near again, no light."""
    _, _, _, found, rows = some(case, 40)
    c = len(rows.a)
    rng = np.random.default_rng(5)
    scale = rng.choice([0.01, 0.6, 4.3, 20.0, 500.0], size=(5, 4, c), p=[0.4, 0.2, 0.2, 0.1, 0.1])
    scale[0] = 0.01
    scale[3, :, :16] = 0.01
    ways = np.stack([off_by(found, 1.0, seed) for seed in range(20)]).reshape(5, 4, c, 4)
    tilts = aims_of(found) + np.sqrt(scale)[..., None] * ways
    histories = np.zeros((5, 5, 2, 2 * c))
    histories[:, 1:, :, :c] = tilts[..., :2].transpose(0, 1, 3, 2)
    histories[:, 1:, :, c:] = tilts[..., 2:].transpose(0, 1, 3, 2)
    pairs = np.stack([np.arange(c), c + np.arange(c)], axis=-1)
    aim = np.concatenate([aims_of(found)[:, :2], aims_of(found)[:, 2:]]).T.copy()
    losses = blank_losses(2, c)
    watched = watching(aim, pairs, found.form_db, rows, 3.0, 8, losses)
    with on_threads(threads):
        kernels.observe_connections(0, histories[:2], watched)
        kernels.observe_connections(2, histories[2:], watched)
    return losses


@pytest.mark.parametrize("case", CASES)
def test_both_kernels_leave_the_form_alike(case: str) -> None:
    """Single precision in the traces; 1e-6 leaves a bit of rounding, here as for small errors."""
    fast, meant = (observed(kernels, case) for kernels in (compiled, plain))
    assert fast[2].max() > NO_LIGHT_DB > 30.0 > fast[2].min()
    for a, b in zip(fast, meant, strict=True):
        if a.dtype == np.int32:
            np.testing.assert_array_equal(a, b)
        else:
            np.testing.assert_allclose(a, b, rtol=2e-6, atol=1e-7)
    for a, b in zip(fast, observed(compiled, case, threads=2), strict=True):
        np.testing.assert_array_equal(a, b)


@pytest.mark.parametrize("case", CASES)
def test_the_form_is_left_before_it_is_wrong(case: str) -> None:
    """In 50 random directions for each connection, at the end of its form's range."""
    _, _, _, found, rows = some(case, 96)
    assert set(rows.form_range_db) <= set(FORM_RANGES_DB)
    every, worst = np.arange(96), 0.0
    for seed in range(50):
        error = off_by(found, 1.0, seed) * np.sqrt(rows.form_range_db)[:, None]
        exact = misalignment_db(rows, every, aims_of(found) + error)
        worst = max(worst, float(np.abs(exact - rows.form_range_db).max()))
    # Probed are 24 directions; what lies between them is little worse.
    assert worst < 1.3 * FORM_ERROR_DB, worst


def propagated_db(ray: Rays, switch: SwitchParams, light) -> float:
    """Second route: the field itself, cut by each mirror's face, carried on by plane waves."""
    grid = Fields(light.wavelength_m, half_m=4e-3, points=1024)
    field = grid.beam(light.waist_in_m[0], ray.to_a_m[0] - light.middle_m)
    power = np.sum(np.abs(field) ** 2)
    radius_m = 1e-6 * switch.optics.mirror_radius_um
    bends = (light.curvature_a_per_m[0], light.curvature_b_per_m[0])
    for number, mirror in enumerate((ray.on_a, ray.on_b)):
        slope = mirror.slope[:, 0]
        incidence, turn = np.arctan(np.hypot(*slope)), np.arctan2(slope[1], slope[0])
        field = field * grid.face(radius_m, incidence, turn, mirror.centre_m[:, 0])
        field = field * grid.lens(bends[number], incidence, turn)
        if number == 0:
            field = grid.carried(field, ray.between_m[0])
    mode = grid.beam(
        light.waist_out_m[0], light.middle_m - ray.to_sink_m[0], ray.mode_m[:, 0],
        ray.mode_rad[:, 0],
    )  # fmt: skip
    return float(grid.loss_db(field, mode, power))


@pytest.mark.parametrize("case", CASES)
def test_losses_far_off_are_those_of_the_field(case: str) -> None:
    """The compiled kernel's trace of one connection, against fields that the test propagates.

    Between the two stand the double counting of light that both edges take, and the test's grid,
    which draws an edge with cells split in 16: within 1 % of the loss.
    """
    switch, inputs, outputs, found, rows = some(case, 1)
    geometry = SwitchGeometry.from_params(switch.geometry)
    built = build_switch(geometry, switch.optics, switch.build, SEED)
    light = light_of(built, switch.optics, inputs, outputs)
    aims = aims_of(found)
    pairs, aim = np.array([[0, 1]]), aims.reshape(2, 2).T.copy()

    def whole(tilt: np.ndarray) -> float:
        ray = trace(built, inputs, outputs, tilt[0, :2, None], tilt[0, 2:, None])
        return propagated_db(ray, switch, light)

    at_aim = whole(aims)
    for seed, form_db in enumerate((5.0, 15.0, 30.0, 40.0)):
        tilt = aims + off_by(found, form_db, seed)
        losses = blank_losses(1, 1)
        history = np.zeros((1, 2, 2, 2))
        history[0, 1] = tilt.reshape(2, 2).T
        compiled.observe_connections(
            0, history, watching(aim, pairs, found.form_db, rows, 1.0, 1, losses)
        )
        want = whole(tilt) - at_aim
        assert losses[0][0, 0] == pytest.approx(want, rel=0.01)
        assert losses[2][0, 0] == losses[0][0, 0]


@pytest.mark.parametrize("from_rest", [False, True])
def test_tables_by_both_kernels_agree(from_rest: bool) -> None:
    """Rays, overlaps at two wavelengths and edges, aimed and from rest: to rounding."""
    switch = load_scenario(find("harrow_point_switch")).switch
    geometry = SwitchGeometry.from_params(switch.geometry)
    built = build_switch(geometry, switch.optics, switch.build, SEED)
    rows = (
        mirror_rows(built.a), mirror_rows(built.b), collimator_rows(built.source),
        collimator_rows(built.sink),
    )  # fmt: skip
    rng = np.random.default_rng(7)
    inputs, outputs = rng.integers(0, 96, (2, 300))
    change = rng.normal(0.0, 3e-4, (300, 4))
    if from_rest:
        change += np.concatenate(aim(built, inputs, outputs)).T
    found = []
    for kernels in (compiled_couplings, plain_couplings):
        out, band = np.empty((300, 11)), np.empty((300, 2))
        kernels.couple(
            inputs, outputs, change, from_rest, *rows, geometry.receiver_x,
            geometry.waist_to_receiver_m, 4.5e-4, edge_points(geometry.incidence_rad),
            np.array([1.31e-6, 1.27e-6]), np.array([1.0, 0.97]), out, band,
        )  # fmt: skip
        found.append((out, band))
    for fast, meant in zip(*found, strict=True):
        np.testing.assert_allclose(fast, meant, rtol=1e-9, atol=1e-10)
