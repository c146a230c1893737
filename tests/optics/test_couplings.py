"""The plain form of many connections at once, against rays and overlaps one by one."""

import numpy as np
import pytest

from sim.optics.beams import collimator_rows, edge_points, mirror_rows
from sim.optics.couplings import couple
from sim.optics.geometry import connect
from sim.optics.overlap import Light, coupled
from sim.optics.rays import aim, trace
from tests.optics.test_built import ROUGH, built_of, some, switch

NM = (1310.0, 1625.0)
RADIUS_M = 450e-6


def done(built, inputs, outputs, change, from_rest):
    geometry = built.geometry
    out, band = np.empty((len(inputs), 11)), np.empty((len(inputs), 2))
    couple(
        inputs, outputs, change, from_rest, mirror_rows(built.a), mirror_rows(built.b),
        collimator_rows(built.source), collimator_rows(built.sink), geometry.receiver_x,
        geometry.waist_to_receiver_m, RADIUS_M, edge_points(geometry.incidence_rad),
        1e-9 * np.array(NM), np.array(NM) / NM[0], out, band,
    )  # fmt: skip
    return out, band


@pytest.mark.parametrize("from_rest", [False, True])
def test_columns_are_those_of_each_connection_by_itself(from_rest):
    built = built_of(switch(ROUGH))
    inputs, outputs = some(20)
    change = 5e-5 * np.random.default_rng(1).normal(size=(20, 4))
    if from_rest:  # as it was designed: a built switch sees it as an error of its aim
        found = connect(built.geometry, inputs, outputs)
        change += np.concatenate([found.tilt_a_rad, found.tilt_b_rad], axis=1)
    out, band = done(built, inputs, outputs, change, from_rest)
    tilts = change.T if from_rest else change.T + np.concatenate(aim(built, inputs, outputs))
    rays = trace(built, inputs, outputs, tilts[:2], tilts[2:])
    np.testing.assert_allclose(out[:, :4], tilts.T, atol=1e-15)
    np.testing.assert_allclose(out[:, 4], rays.path_m, rtol=1e-13)
    np.testing.assert_allclose(out[:, 5], rays.on_a.incidence_rad, atol=1e-12)
    np.testing.assert_allclose(out[:, 6], rays.on_b.incidence_rad, atol=1e-12)
    for n, nm in enumerate(NM):
        scale = nm / NM[0]  # the waist of a fibre of one divergence, in proportion
        light = Light(
            1e-9 * nm, scale * built.source.waist_m[inputs], scale * built.sink.waist_m[outputs],
            built.a.curvature_per_m[inputs], built.b.curvature_per_m[outputs], RADIUS_M, RADIUS_M,
            built.geometry.waist_to_receiver_m,
        )  # fmt: skip
        lost = coupled(rays, light)
        parts = (lost.mode_db, lost.curvature_db, lost.pointing_db, lost.clipping_db)
        if n == 0:
            np.testing.assert_allclose(out[:, 7:].T, parts, atol=1e-10)
        np.testing.assert_allclose(band[:, n], sum(parts), atol=1e-10)
