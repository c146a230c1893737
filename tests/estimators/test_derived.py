"""Settings worked out from a camera, by hand for a spot of three bright pixels."""

import math

import numpy as np
import pytest

from sim.estimators.derived import (
    ExpectedSpots,
    components_settings,
    quad_cell_settings,
    quad_cell_window,
    thresholded_centroid_settings,
    weighted_centroid_settings,
)

LIGHT = np.zeros((2, 5, 6))
LIGHT[0, 2, 2:5] = 60.0, 200.0, 90.0
LIGHT[1, 2, 2:4] = 180.0, 150.0
LIGHT[1, 3, 2:5] = 40.0, 32.0, 31.0


def expected(best=50, deviation=4.0, **more):
    asked = []
    given = {
        "window_px": (5, 6), "spot_sigma_px": 1.8, "gain_dn_per_e": 0.5, "dark_e": 20.0,
        "read_noise_e": 6.0, "light_dn": LIGHT, "dark_dn": 42.0, "dark_deviation_dn": deviation,
        "best_threshold_dn": lambda: best,
        "least_flux_dn": lambda threshold: asked.append(threshold) or 10 * threshold,
    }  # fmt: skip
    return ExpectedSpots(**(given | more)), asked


def test_a_centre_of_gravity_gets_the_best_threshold():
    given, asked = expected()
    assert thresholded_centroid_settings(given) == {"threshold_dn": 50, "min_flux_dn": 500.0}
    assert asked == [50.0]


@pytest.mark.parametrize(
    ("best", "deviation", "threshold", "area"),
    # Two deviations of 4 above 42 are the best threshold; of 4.2, 50.4, rounded up. Pixels above
    # 15 % of the peak, 30 DN: 3 and 5 of the two places; above 100 - 42 = 58 DN: 3 and 2.
    [(50, 4.0, 50, 3), (50, 4.2, 51, 3), (100, 4.0, 100, 2)],
)
def test_regions_are_kept_apart_and_sorted(best, deviation, threshold, area):
    given, asked = expected(best, deviation)
    # Largest step from the peak to the next pixel: 200 - 90. Noise there: sqrt(400 + 20 + 36) e.
    hot = 110.0 + 6.0 * 0.5 * math.sqrt(200.0 / 0.5 + 20.0 + 36.0)
    assert components_settings(given) == {
        "threshold_dn": threshold, "min_flux_dn": 10.0 * threshold, "peak_fraction": 0.15,
        "hot_step_dn": pytest.approx(hot), "min_area_px": 1,
    }  # fmt: skip
    assert asked == [float(threshold)]
    wide = np.repeat(np.repeat(LIGHT, 4, axis=1), 2, axis=2)
    assert components_settings(given._replace(light_dn=wide))["min_area_px"] == 2 * area
    assert components_settings(given._replace(light_dn=wide))["hot_step_dn"] < hot - 100


def test_weights_and_quad_cells():
    given, _ = expected()
    assert weighted_centroid_settings(given) == {"weight_sigma_px": pytest.approx(2.34)}
    assert [quad_cell_settings(expected(window_px=(n, n))[0])["gap_px"] for n in (24, 25)] == [0, 1]
    assert quad_cell_window((24, 20)) is None and quad_cell_window((25, 21)) is None
    for sides in ((24, 21), (25, 20)):
        assert quad_cell_window(sides) == "needs sides that are both even or both odd"
