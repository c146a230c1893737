"""Centroids in whole numbers: against exact fractions, known bias, and the floating-point ones."""

import numpy as np
import pytest
from mirrorloop.testing.estimators import CAMERA, frames_of_spots

from sim.estimators.centroid import (
    ThresholdedCentroidParams,
    WeightedCentroidParams,
    thresholded_centroid,
    weighted_centroid,
)
from sim.firmware.settings import EstimatorArithmetic
from sim.firmware.spots.estimator import FixedEstimator
from sim.firmware.spots.thresholded_centroid import sum_ranges
from sim.foundations.ports import SpotStatus
from tests.firmware.spots.longhand import thresholded, weighted

THRESHOLD = ThresholdedCentroidParams(
    kind="thresholded_centroid", threshold_dn=57, min_flux_dn=1000.0, edge_px=2.0
)
WEIGHT = WeightedCentroidParams(
    kind="weighted_centroid", weight_sigma_px=2.0, min_flux_dn=1000.0, edge_px=2.0
)
ARITHMETICS = [
    {},
    {"position_fraction": 4, "rounding": "floor"},
    {"position_fraction": 1, "rounding": "zero", "table_fraction": 1},
    {"rounding": "even", "division": "shift_subtract", "table_bits": 8, "table_fraction": 8},
    {"rounding": "away", "division": "reciprocal", "table_fraction": 2, "iterations": 2},
    {"division": "reciprocal", "reciprocal_index_bits": 4, "reciprocal_bits": 12},
    {"division": "reciprocal", "reciprocal_index_bits": 5, "newton_steps": 1, "rounding": "floor"},
    {"division": "reciprocal", "reciprocal_bits": 10, "newton_steps": 2, "level_fraction": 0},
]


def fixed(settings, window=(24, 24), **arithmetic):
    function = thresholded_centroid if settings is THRESHOLD else weighted_centroid
    return FixedEstimator(
        function, settings, EstimatorArithmetic(kind="fixed", **arithmetic),
        kind=settings.kind, window_px=window, camera=CAMERA,
    )  # fmt: skip


def rows_of(found):
    return [(*map(int, p), int(s)) for p, s in zip(found.position, found.status, strict=True)]


@pytest.mark.parametrize("arithmetic", ARITHMETICS, ids=str)
@pytest.mark.parametrize("settings", [THRESHOLD, WEIGHT], ids=lambda s: s.kind)
def test_every_bit_is_that_of_exact_fractions(frames, settings, arithmetic):
    # Source: the steps in the docstring, taken in unbounded integers and exact fractions.
    estimator = fixed(settings, **arithmetic)
    some = frames if settings is THRESHOLD else frames[::4]
    found = estimator.read(some)
    longhand = thresholded if settings is THRESHOLD else weighted
    wanted = [longhand(frame, estimator.words) for frame in some.tolist()]
    assert rows_of(found) == wanted
    statuses = {status for *_, status in wanted}
    assert {SpotStatus.OK, SpotStatus.DIM} <= statuses


def test_odd_and_oblong_windows_are_read_about_their_middle():
    spots = np.array([[6.3, 9.1], [5.0, 8.0]])
    frames = frames_of_spots(spots, shape=(17, 12))
    for settings in (THRESHOLD, WEIGHT):
        estimator = fixed(settings, (17, 12), position_fraction=12, position_bits=20)
        longhand = thresholded if settings is THRESHOLD else weighted
        wanted = [longhand(f, estimator.words) for f in frames.tolist()]
        assert rows_of(estimator.read(frames)) == wanted
        assert np.abs(estimator(frames, camera=CAMERA).spot_px - spots).max() < 0.02


def test_fine_words_read_what_floating_point_reads(frames):
    # An independent form: the shipped estimators, to half a unit of a word of 16 fraction bits.
    exact = thresholded_centroid(
        frames, camera=CAMERA, threshold_dn=57, min_flux_dn=1000.0, edge_px=2.0
    )
    found = fixed(THRESHOLD, position_fraction=16, position_bits=24)(frames, camera=CAMERA)
    assert (found.status == exact.status).all()
    assert np.nanmax(np.abs(found.spot_px - exact.spot_px)) <= 2.0**-17 * (1 + 1e-9)
    assert (found.flux_dn == exact.flux_dn).all()
    fine = {"position_fraction": 12, "position_bits": 24, "table_bits": 14, "table_fraction": 8,
            "iterations": 12, "level_fraction": 8}  # fmt: skip
    spots = frames[:60]  # an even frame has no place to be read
    close = fixed(WEIGHT, **fine)(spots, camera=CAMERA)
    exact = weighted_centroid(
        spots, camera=CAMERA, weight_sigma_px=2.0, min_flux_dn=1000.0, edge_px=2.0
    )
    both = (close.status == SpotStatus.OK) & (exact.status == SpotStatus.OK)
    assert both.sum() >= 50
    # Steps round to a unit twice, and the floating form stops 1e-4 px before its end.
    assert np.abs(close.spot_px - exact.spot_px)[both].max() < 3 * 2.0**-12


def test_bias_of_rounding_is_the_known_one():
    # Closed forms: mean -LSB/2 for a floor, none otherwise; deviation LSB/sqrt(12). To zero about
    # the middle: the mean vanishes, but errors of either sign make the deviation LSB/sqrt(3).
    rng = np.random.default_rng(3)
    spots = 11.5 + rng.uniform(-1, 1, (8_000, 2))
    frames = frames_of_spots(spots, rng=rng)
    fine = fixed(THRESHOLD, position_fraction=16, position_bits=24).read(frames).position
    for bits, rounding, mean in ((3, "floor", -0.0625), (4, "floor", -0.03125), (4, "up", 0.0),
                                 (4, "even", 0.0), (8, "floor", -0.0019531)):  # fmt: skip
        a = {"position_fraction": bits, "rounding": rounding, "table_fraction": 1}
        words = fixed(THRESHOLD, **a).read(frames).position
        error = words / 2.0**bits - fine / 2.0**16
        unit = 2.0**-bits
        # Standard error of the mean of 40 000 uniform errors; 4.5 of them.
        assert abs(error.mean() - mean) < 4.5 * unit / np.sqrt(12 * 16_000) + 2.0**-17
        assert error.std() == pytest.approx(unit / np.sqrt(12), rel=0.02)
    words = fixed(THRESHOLD, position_fraction=4, rounding="zero").read(frames).position
    error = words / 16.0 - fine / 2.0**16
    assert abs(error.mean()) < 4.5 * 0.036 / np.sqrt(16_000)
    assert error.std() == pytest.approx(2.0**-4 / np.sqrt(3), rel=0.02)


def test_a_reciprocal_reads_as_short_or_long_as_its_table_allows():
    # Closed form: a table of 2^k centres is off by 1/(2^(k+1)+1) at most, and one Newton step
    # squares that; a position is off by that share of its distance from the middle.
    spots = 11.5 + np.random.default_rng(4).uniform(-6, 6, (4000, 2))
    frames = frames_of_spots(spots, signal_e=np.random.default_rng(4).uniform(4e3, 2e4, 4000))
    exact = fixed(THRESHOLD, position_fraction=16, position_bits=24).read(frames).position
    far = np.abs(exact) > 1 << 16
    for k, newton in ((6, 0), (8, 0), (6, 1)):
        found = fixed(
            THRESHOLD, position_fraction=16, position_bits=24, division="reciprocal",
            reciprocal_index_bits=k, newton_steps=newton, reciprocal_bits=24,
        ).read(frames)  # fmt: skip
        bound = (1 / (2 ** (k + 1) + 1)) ** (newton + 1)
        share = (found.position - exact)[far] / exact[far]
        assert bound / 2 < np.abs(share).max() < bound + 2e-5
        if newton:
            assert share.max() < 2e-5


def test_words_of_sums_hold_any_frame_or_are_refused_with_one_that_they_do_not():
    # By hand: 24 x 24 px at 1023 - 57 DN; half of them at 1, 3, ... 23 half pixels: 24 * 144.
    light, by_x, by_y = sum_ranges((24, 24), 1023, 57)
    assert (light.largest, by_x.largest, by_y.largest) == (556_416, 3_338_496, 3_338_496)
    assert by_x.bits == 23
    full = np.zeros((1, 24, 24), np.int32)
    full[:, :, 12:] = 1023
    worst = fixed(THRESHOLD, sum_bits=23).read(full)
    assert worst.status[0] == SpotStatus.OK
    assert worst.light[0] == light.largest // 2
    with pytest.raises(ValueError, match="moment along x takes 23 bits.*3338496 with all columns"):
        fixed(THRESHOLD, sum_bits=22)


def test_sums_that_leave_their_words_fail_and_are_cut_off():
    short = fixed(THRESHOLD, sum_bits=18, overflow="saturates")
    spots = np.array([[11.5, 11.5], [15.5, 11.0]])
    frames = frames_of_spots(spots)
    saturated = np.full((1, 24, 24), 1023, np.int32)
    many = np.concatenate([frames, saturated])
    found = short.read(many)
    assert rows_of(found) == [thresholded(f, short.words) for f in many.tolist()]
    assert found.status.tolist() == [SpotStatus.OK, SpotStatus.OK, SpotStatus.FAILED]
    assert found.light[2] == 2**17 - 1


def test_bad_words_are_refused():
    with pytest.raises(ValueError, match="position_bits: 13 are needed for"):
        fixed(THRESHOLD, position_bits=12)
    with pytest.raises(ValueError, match="a product takes [678][0-9] bits"):
        fixed(WEIGHT, division="reciprocal", reciprocal_bits=30, table_bits=16)
    with pytest.raises(ValueError, match="table_fraction must not be more than position_fraction"):
        EstimatorArithmetic(kind="fixed", position_fraction=2)
    with pytest.raises(ValueError, match="only the sums of a thresholded"):
        fixed(WEIGHT, overflow="saturates")


@pytest.mark.parametrize(
    ("rounding", "right", "left"),
    [("up", 2, -1), ("even", 2, -2), ("away", 2, -2), ("floor", 1, -2), ("zero", 1, -1)],
)
def test_ties_go_where_the_rule_says(rounding, right, left):
    # By hand: 750 and 250 DN at 1 and 3 half pixels lie at 1.5 half pixels, with one bit a tie.
    frame = np.full((2, 24, 24), 57, np.int32)
    frame[0, 12, 12], frame[0, 12, 13] = 807, 307
    frame[1, 12, 11], frame[1, 12, 10] = 807, 307
    words = fixed(THRESHOLD, position_fraction=1, table_fraction=1, rounding=rounding)
    assert words.read(frame).position.tolist() == [[right, 1], [left, 1]]
