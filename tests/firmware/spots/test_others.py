"""Quad cell, peaks and fit in whole numbers: exact fractions, and the floating-point ones."""

import math

import numpy as np
import pytest
from mirrorloop.testing.estimators import (
    CAMERA,
    CHECKS,
    check_x_and_y_alike,
    frames_of_spots,
)

from sim.estimators import ESTIMATORS
from sim.firmware.settings import EstimatorArithmetic
from sim.firmware.spots.estimator import FIXED_FORMS, FixedEstimator
from sim.firmware.spots.logarithm import log_table, log_words
from sim.foundations.ports import SpotStatus
from tests.firmware.spots import longhand

LONGHAND = {
    "gaussian_fit": longhand.fitted,
    "log_peak": longhand.peaked,
    "matched_filter": longhand.peaked,
    "quad_cell": longhand.quartered,
}
OWN = {
    "thresholded_centroid": {"threshold_dn": 57},
    "weighted_centroid": {"weight_sigma_px": 2.0},
}
FIXED = sorted(kind for kind, part in ESTIMATORS.items() if part.function in FIXED_FORMS)
ARITHMETICS = [
    {},
    {"position_fraction": 5, "rounding": "floor", "table_bits": 8, "table_fraction": 3},
    {"rounding": "zero", "division": "reciprocal", "level_fraction": 0, "iterations": 2},
    {"rounding": "even", "division": "reciprocal", "reciprocal_bits": 12, "newton_steps": 1},
    {"rounding": "away", "position_fraction": 11, "table_bits": 12, "table_fraction": 6},
]


def both(kind, window=(24, 24), **arithmetic):
    part = ESTIMATORS[kind]
    own = {"min_flux_dn": 1000.0, "edge_px": 2.0} | OWN.get(kind, {})
    own |= {"gap_px": window[0] % 2} if kind == "quad_cell" else {}
    settings = part.Params(kind=kind, **own)
    fixed = FixedEstimator(
        part.function, settings, EstimatorArithmetic(kind="fixed", **arithmetic), kind=kind,
        window_px=window, camera=CAMERA,
    )  # fmt: skip
    return part.bound(settings, kind), fixed


@pytest.mark.parametrize("arithmetic", ARITHMETICS, ids=str)
@pytest.mark.parametrize("kind", sorted(LONGHAND))
def test_every_bit_is_that_of_exact_fractions(frames, kind, arithmetic):
    # Source: the steps in the docstring, taken in unbounded integers and exact fractions.
    _, estimator = both(kind, **arithmetic)
    some = frames[::5]
    found = estimator.read(some)
    words = [(*map(int, p), int(s)) for p, s in zip(found.position, found.status, strict=True)]
    assert words == [LONGHAND[kind](frame, estimator.words) for frame in some.tolist()]
    assert {SpotStatus.OK, SpotStatus.DIM} <= set(found.status.tolist())


@pytest.mark.parametrize("window", [(24, 24), (17, 13)], ids=str)
@pytest.mark.parametrize("kind", FIXED)
def test_readings_are_those_of_floating_point_to_a_part_of_their_scatter(kind, window):
    # An independent form: the shipped estimators. Words of 2^-8 px round to 0.0011 px; the tables'
    # entries add less than that. Nothing is lost of a scatter of 0.016 px and more.
    middle = 0.5 * np.array([window[1] - 1, window[0] - 1])
    rng = np.random.default_rng(12)
    spots = middle + rng.uniform(-1.5, 1.5, (300, 2))
    frames = frames_of_spots(spots, shape=window, rng=rng)
    exact, fixed = both(kind, window)
    wanted, found = exact(frames, camera=CAMERA), fixed(frames, camera=CAMERA)
    assert (found.status == wanted.status).all()
    difference = found.spot_px - wanted.spot_px
    assert difference.std() < 0.003
    assert abs(difference.mean()) < 4.5 * 0.003 / np.sqrt(difference.size)
    assert np.std(found.spot_px - spots) < 1.02 * np.std(wanted.spot_px - spots)


@pytest.mark.parametrize("kind", FIXED)
def test_the_contract_of_estimators_holds(kind):
    part = ESTIMATORS[kind]
    settings = part.Params(kind=kind, min_flux_dn=1000.0, edge_px=2.0, **OWN.get(kind, {}))
    arithmetic = EstimatorArithmetic(kind="fixed")

    class AnyWindow:
        def __call__(self, frames, *, camera):
            return FixedEstimator(
                part.function, settings, arithmetic, kind=kind, window_px=frames.shape[1:],
                camera=camera,
            )(frames, camera=camera)  # fmt: skip

    for check in CHECKS:
        if check is not check_x_and_y_alike:
            check(AnyWindow())


@pytest.mark.parametrize("kind", FIXED)
def test_a_frame_turned_over_its_diagonal_reads_so_to_a_unit_or_two(kind):
    # Rows are rounded before columns are summed up, so x and y are alike but for that.
    frames = frames_of_spots(11.5 + np.random.default_rng(22).uniform(-2, 2, (50, 2)))
    _, fixed = both(kind)
    turned = fixed.read(np.ascontiguousarray(frames.swapaxes(1, 2))).position[:, ::-1]
    assert np.abs(turned - fixed.read(frames).position).max() <= 2


def test_logarithms_are_those_of_the_library():
    # Source: math.log2. A straight line over 1/256 is off by (1/256)^2/8/ln 2 = 2.8e-6 at most;
    # entries and line round by half a unit each; what is below 16 bits is left out.
    rng = np.random.default_rng(13)
    values = np.concatenate([np.arange(1, 2000), rng.integers(1, 2**61, 4000)])
    got = log_words(values, log_table()) / 2.0**16
    wanted = np.array([math.log2(int(v)) for v in values])
    assert np.abs(got - wanted).max() < 2.8e-6 + (1 + 1 / math.log(2)) * 2.0**-16
    assert log_words(np.array([1, 2, 1024]), log_table()).tolist() == [0, 1 << 16, 10 << 16]


def test_more_steps_of_the_fit_change_no_word_once_it_has_settled():
    rng = np.random.default_rng(14)
    frames = frames_of_spots(11.5 + rng.uniform(-3, 3, (200, 2)), rng=rng)
    words = [both("gaussian_fit", iterations=n)[1].read(frames).position for n in (1, 4, 12)]
    assert np.abs(words[0] - words[2]).max() > 4
    # The last step starts at one of two neighbouring entries of the table.
    assert np.abs(words[1] - words[2]).max() <= 2


def test_a_curve_of_the_quad_cell_ends_where_it_is_too_flat():
    _, fixed = both("quad_cell")
    spots = np.array([[11.5, 11.5], [15.9, 11.5], [16.8, 11.5]])
    status = fixed(frames_of_spots(spots), camera=CAMERA).status
    # 0.99 is at 2.576 sigma = 4.64 px.
    assert status.tolist() == [SpotStatus.OK, SpotStatus.OK, SpotStatus.FAILED]


def test_what_an_estimator_cannot_do_in_words_is_refused():
    with pytest.raises(ValueError, match="only the sums of a thresholded centroid"):
        both("quad_cell", overflow="saturates")
    with pytest.raises(ValueError, match=r"sum_bits: .*four cells takes 25 bits \(got 20\)"):
        both("quad_cell", sum_bits=20)
    with pytest.raises(ValueError, match=r"takes \d\d bits"):
        both("gaussian_fit", division="reciprocal", reciprocal_bits=30, table_bits=16)
