"""The count of arithmetic and memory: one by hand, growth, and iterations held to the code."""

import numpy as np
import pytest

from sim.estimators import ESTIMATORS, firmware_cost
from sim.estimators.cost import (
    FIT_STEPS,
    FUNCTION_COST,
    NUMBER_BYTES,
    PIXEL_BYTES,
    SOLVE_4,
    WEIGHTED_STEPS,
)
from sim.foundations.ports import SpotStatus


def test_every_estimator_has_a_cost():
    for name in ESTIMATORS:
        cost = firmware_cost(name, (24, 24))
        assert cost.multiply_adds >= 576
        assert cost.bytes > 0


def test_thresholded_centroid_by_hand():
    # 24 x 24 pixels of subtract, clip and three sums, and two divisions; three 8-byte sums.
    assert firmware_cost("thresholded_centroid", (24, 24)) == (576 * 5 + 2 * FUNCTION_COST, 24)


def test_cost_grows_with_the_window_and_ranks_as_the_guide_says():
    for name in ESTIMATORS:
        small, large = (firmware_cost(name, (n, n)).multiply_adds for n in (12, 24))
        assert 2 < large / small <= 4
    order = ("quad_cell", "thresholded_centroid", "components", "weighted_centroid", "poisson_fit")
    costs = [firmware_cost(name, (24, 24)).multiply_adds for name in order]
    assert costs == sorted(costs)


ITERATIONS = {
    "weighted_centroid": WEIGHTED_STEPS, "gaussian_fit": FIT_STEPS, "poisson_fit": FIT_STEPS,
}  # fmt: skip


@pytest.mark.parametrize("name", sorted(ITERATIONS))
def test_counted_iterations_are_enough(name, make_frames, camera, settings):
    # 95 % of demo spots must be done in the counted number, and not in two fewer.
    rng = np.random.default_rng(25)
    frames = make_frames(11.5 + rng.uniform(-2, 2, (300, 2)), camera, 20000, rng=rng)
    done = [
        (
            ESTIMATORS[name]
            .function(frames, camera=camera, max_iterations=limit, **settings[name])
            .status
            == SpotStatus.OK
        ).mean()
        for limit in (ITERATIONS[name], ITERATIONS[name] - 2)
    ]
    assert done[0] > 0.95
    assert done[1] < 0.95


def test_unknown_estimators_and_empty_windows_are_refused():
    with pytest.raises(ValueError, match='unknown estimator "quadcell".*mean "quad_cell"'):
        firmware_cost("quadcell", (24, 24))
    with pytest.raises(ValueError, match="window must have pixels"):
        firmware_cost("quad_cell", (0, 24))


def test_every_cost_by_hand_for_a_window_that_is_not_square():
    # 20 rows of 24 pixels. Fits: error function and exponential for 44 pixel sides, products and
    # sums of each of 480 pixels (and, for likelihood, one division), of 20 rows and 44 sides, and
    # four unknowns to solve for. Searches begin with 13 taps each way and the largest value.
    f, profiles, solved = FUNCTION_COST, 44 * (2 * FUNCTION_COST + 4), SOLVE_4 + 4 * FUNCTION_COST
    start, kept = 27 * 480, 480 * (PIXEL_BYTES + NUMBER_BYTES)
    squares = profiles + 3 * 480 + 4 * 20 + 9 * 44 + solved
    likely = profiles + (13 + f) * 480 + 12 * 20 + solved
    weighted = 44 * (f + 3) + 2 * 480 + 3 * 20 + 2 * f
    by_hand = {
        "thresholded_centroid": (5 * 480 + 2 * f, 3 * 8),
        "quad_cell": (480 + 12 + 4 * f, 4 * NUMBER_BYTES),
        "log_peak": (480 + 12 + 8 * f, 3 * 24 * PIXEL_BYTES + 8 * NUMBER_BYTES),
        "matched_filter": (start + 12 + 8 * f, kept + 13 * NUMBER_BYTES),
        "weighted_centroid": (start + WEIGHTED_STEPS * weighted, kept + 88 * NUMBER_BYTES),
        "gaussian_fit": (start + FIT_STEPS * squares, kept + (88 + 32) * NUMBER_BYTES),
        "poisson_fit": (start + FIT_STEPS * likely, kept + (88 + 48 + 32) * NUMBER_BYTES),
        "components": (28 * 480 + 2 * f, 480 * (PIXEL_BYTES + 1) + 10 * NUMBER_BYTES * 120),
    }
    assert {name: firmware_cost(name, (20, 24)) for name in ESTIMATORS} == by_hand
    assert firmware_cost("quad_cell", (1, 1)).multiply_adds == 13 + 4 * f
    assert firmware_cost("components", (1, 3)).bytes == 3 * 3 + 10 * NUMBER_BYTES
