"""Cameras for which a table of errors has a meaning, places spread evenly, time of a processor."""

import numpy as np
import pytest
from scipy.stats import norm

from sim.camera.equivalent_noise import check_meaning
from sim.camera.places import spread
from sim.camera.processor import ProcessorParams
from sim.camera.settings import CameraParams, make_camera
from sim.foundations.errors import ScenarioError
from tests.camera.test_camera_defects import BASE


def judge(**changes):
    params = CameraParams(**(BASE | changes))
    check_meaning(params, make_camera(params))


@pytest.mark.parametrize(
    ("changes", "why"),
    [
        ({"prnu_pct": 1.0}, "pixels differ"),
        ({"spill": True}, "windows see stray light"),
        ({"dark_e_per_s": 1.0}, "the image changes with warmth"),
        ({"defocus_px_per_k": 0.01}, "the image changes with warmth"),
        ({"search_after_frames": 3}, "a search needs images"),
    ],
)
def test_what_the_place_does_not_decide_is_refused(changes, why):
    judge()
    with pytest.raises(ScenarioError, match=f'"equivalent" has no meaning here: {why}; use "fast"'):
        judge(**changes)


def test_the_brightest_pixel_stays_five_deviations_below_saturation():
    # A spot on a pixel's middle: the normal's share within half a pixel, along both axes. Read
    # noise 6 e- and background 20 e-; full scale 1023 DN is (1023 - 32) / 0.5 = 1982 e-.
    share = (norm.cdf(0.5 / 1.8) - norm.cdf(-0.5 / 1.8)) ** 2
    mean = 20.0 + 20000.0 * share
    peak = mean + 5.0 * np.sqrt(mean + 36.0)
    assert 900 < peak < 1900
    judge(full_well_e=peak * (1 + 1e-9))
    for full_well in (peak * (1 - 1e-9), 0.9 * peak):
        with pytest.raises(ScenarioError, match=f"reaches {peak:.0f} e-.*at {full_well:.0f} e-"):
            judge(full_well_e=full_well)
    black_dn = 1023 - 0.5 * peak  # the converter ends before the well
    judge(black_dn=black_dn - 1e-6)
    with pytest.raises(ScenarioError, match="saturates"):
        judge(black_dn=black_dn + 1e-6)


def test_places_fill_a_square_evenly_and_go_on_where_they_were_left():
    places = spread(4096, 3.0)
    np.testing.assert_array_equal(spread(96, 3.0, 4000), places[4000:])
    counts = np.histogram2d(*places.T, bins=16, range=[[-3, 3], [-3, 3]])[0]
    # 16 to a cell. Points drawn at random would scatter by 4; these by less than half of that.
    assert counts.sum() == 4096 and counts.std() < 2.0
    assert np.abs(places).max() <= 3.0
    # x^3 = x + 1 (plastic number): steps 1/x and 1/x^2, from the middle of the unit square.
    x = max(np.roots([1, 0, -1, -1]), key=np.real).real
    first = (0.5 + np.array([1 / x, 1 / x**2])) % 1.0
    assert places[0] == pytest.approx(3.0 * (2 * first - 1))


def test_a_processor_serves_the_fleet_or_its_share():
    assert ProcessorParams(multiply_adds_per_us=8000).compute_us(2920, 192) == pytest.approx(70.08)
    assert ProcessorParams(multiply_adds_per_us=2, spots=3).compute_us(10, 192) == 15
