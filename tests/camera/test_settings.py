"""Ranges of the camera that depend on each other, up to their ends."""

import numpy as np
import pytest
from pydantic import ValidationError

from sim.camera.sensor import make_layout, make_pattern
from sim.camera.settings import CameraParams
from tests.camera.test_camera_defects import BASE


@pytest.mark.parametrize(
    ("good", "bad", "match"),
    [
        ({"read_noise_e": 1.0}, {"read_noise_e": 0.999}, 'noise = "fast" needs read_noise_e >= 1'),
        ({"black_dn": 1022.9}, {"black_dn": 1023.0}, "black_dn must be below full scale, 1023 DN"),
        # 100 frames of 1 ms.
        ({"latency_us": 1e5}, {"latency_us": 1.0001e5}, "latency_us must be 100 frames at most"),
    ],
)
def test_settings_at_the_end_of_a_range_are_taken_and_come_back(good, bad, match):
    given = BASE | good
    assert CameraParams.model_validate(given).model_dump() | given == CameraParams(
        **given
    ).model_dump() | given
    with pytest.raises(ValidationError, match=match):
        CameraParams.model_validate(BASE | bad)


def test_pixels_that_are_all_alike_need_no_map():
    params = CameraParams(**(BASE | {"dark_e_per_s": 2e4}))  # 6 e- in 300 us
    response, dark, offset = make_pattern(params, make_layout(params, 24, 6), 3)
    for found, value in ((response, 1.0), (dark, 6.0), (offset, 0.0)):
        np.testing.assert_array_equal(found, np.full((1, 1, 1), value, np.float32))
