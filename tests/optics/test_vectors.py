"""Rotations against another library and against what hands can check."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from sim.optics.vectors import rotation


def test_a_quarter_turn_about_z_brings_x_to_y():
    turned = rotation(np.array([0.0, 0.0, 0.5 * np.pi]))
    np.testing.assert_allclose(turned @ [1.0, 0.0, 0.0], [0.0, 1.0, 0.0], atol=1e-15)


@pytest.mark.parametrize("size", [0.0, 1e-12, 1e-4, 1.0, 3.1, 7.0])
def test_any_turn_is_that_of_a_reference_library(size):
    for turn_rad in size * np.random.default_rng(5).normal(size=(20, 3)):
        want = Rotation.from_rotvec(turn_rad).as_matrix()
        np.testing.assert_allclose(rotation(turn_rad), want, atol=4e-15)
