"""Connections laid out in rows: what goes in comes out, and edges are evenly sampled."""

import itertools

import numpy as np
import pytest

from sim.optics.beams import (
    FORM_ERROR_DB,
    FORM_RANGES_DB,
    collimator_rows,
    collimators_of,
    edge_points,
    mirror_rows,
    mirrors_of,
    misalignment_db,
)
from sim.optics.links import beams, links
from tests.optics.test_built import ROUGH, built_of, switch


def test_rows_hold_mirrors_and_collimators():
    built = built_of(switch(ROUGH))
    rows = mirror_rows(built.b)
    assert rows.shape == (96, 13)
    some = np.array([5, 90])
    back = mirrors_of(rows[some])
    for name in ("centre_m", "grid_x", "grid_y", "normal", "curvature_per_m"):
        np.testing.assert_array_equal(getattr(back, name), getattr(built.b, name)[..., some])
    assert back.reflectivity.tolist() == [1.0, 1.0]
    rows = collimator_rows(built.source)
    assert rows.shape == (96, 7)
    for got, given in zip(collimators_of(rows[some]), built.source, strict=True):
        np.testing.assert_array_equal(got, given[..., some])


@pytest.mark.parametrize(("incidence_deg", "times"), [(0.0, 1), (20.0, 1), (60.0, 4)])
def test_points_of_an_edge_are_evenly_spaced_once_about(incidence_deg, times):
    cosine, sine = edge_points(np.deg2rad(incidence_deg))
    count = len(cosine)
    assert count == times * len(edge_points(0.0)[0])
    assert edge_points(np.deg2rad(incidence_deg), finer=2).shape == (2, 2 * count)
    turn = np.unwrap(np.arctan2(sine, cosine))
    np.testing.assert_allclose(turn, 2 * np.pi * np.arange(count) / count, atol=1e-12)
    np.testing.assert_allclose(np.hypot(cosine, sine), 1.0)


def test_a_form_holds_as_far_as_the_exact_loss_says_in_every_direction():
    """Second way: probes along both ways of each axis of the form's ellipsoid, and its 16 corners.

    The exact loss at each is that of the overlap, which other tests hold to integrals.
    """
    inputs = np.arange(0, 96, 6)
    outputs = inputs[::-1].copy()
    params = switch(ROUGH)
    found = links(params, 3, inputs, outputs)
    laid_out = beams(params, 3, inputs, outputs, found)
    aim = np.concatenate([found.connections.tilt_a_rad, found.connections.tilt_b_rad], axis=1)
    assert np.abs(misalignment_db(laid_out, np.arange(len(inputs)), aim)).max() < 1e-9
    for c in range(len(inputs)):
        strength, axes = np.linalg.eigh(found.form_db[c])
        ways = [s * axes[:, k] / np.sqrt(strength[k]) for k in range(4) for s in (1.0, -1.0)]
        for signs in itertools.product((-0.5, 0.5), repeat=4):
            ways.append(axes @ (np.array(signs) / np.sqrt(strength)))
        holds = FORM_RANGES_DB[-1]
        for range_db in FORM_RANGES_DB[:-1]:
            tilts = aim[c] + np.sqrt(range_db) * np.array(ways)
            exact = misalignment_db(laid_out, np.full(len(ways), c), tilts)
            if np.abs(exact - range_db).max() <= FORM_ERROR_DB:
                holds = range_db
                break
        assert laid_out.form_range_db[c] == holds
    assert len(set(laid_out.form_range_db)) > 1
