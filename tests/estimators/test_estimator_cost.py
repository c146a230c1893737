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
from sim.ports import SpotStatus


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


def test_fits_by_hand():
    # Error function and exponential for 48 pixel sides, products and sums of each of 576 pixels
    # (and, for likelihood, one division), of 24 rows and 48 sides, and four unknowns to solve for.
    f, profiles = FUNCTION_COST, 48 * (2 * FUNCTION_COST + 4)
    solved = SOLVE_4 + 4 * f
    squares = profiles + 3 * 576 + 4 * 24 + 9 * 48 + solved
    likely = profiles + (13 + f) * 576 + 12 * 24 + solved
    for name, step, more in (("gaussian_fit", squares, 0), ("poisson_fit", likely, 2 * 24)):
        cost = firmware_cost(name, (24, 24))
        assert cost.multiply_adds == 27 * 576 + FIT_STEPS * step
        assert cost.bytes == 576 * (PIXEL_BYTES + NUMBER_BYTES) + (96 + 32 + more) * NUMBER_BYTES


def test_regions_by_hand():
    # A mask and a label beside each pixel; at most every fourth pixel is a region, of ten sums.
    cost = firmware_cost("components", (24, 24))
    assert cost == (28 * 576 + 2 * FUNCTION_COST, 576 * (PIXEL_BYTES + 1) + 1440 * NUMBER_BYTES)
