"""Fresnel's equations for metals against special cases and an independent form."""

import numpy as np
import pytest

from sim.optics.reflectivity import fresnel_power, metal_index, relative_reflectivity

GOLD = [(1200.0, 0.30, 7.7), (1400.0, 0.41, 9.2)]


def test_normal_incidence_is_the_handbook_formula():
    n, k = 0.4, 8.4
    want = ((n - 1) ** 2 + k**2) / ((n + 1) ** 2 + k**2)
    across, along = fresnel_power(n - 1j * k, 0.0)
    assert across == pytest.approx(want, rel=1e-14) and along == pytest.approx(want, rel=1e-14)


def test_brewster_angle_of_glass_and_grazing_light():
    across, along = fresnel_power(1.5, np.arctan(1.5))
    assert along == pytest.approx(0.0, abs=1e-30)
    assert across == pytest.approx(((1 - 1.5**2) / (1 + 1.5**2)) ** 2, rel=1e-13)
    assert np.allclose(fresnel_power(0.4 - 8j, 0.5 * np.pi - 1e-9), 1.0, atol=1e-6)


def test_a_metal_at_45_degrees_reflects_p_as_s_squared():
    # Abeles' theorem: at 45 degrees r_p = r_s^2 for any medium, hence R_p = R_s^2 (Born and Wolf
    # name it; derived by inserting cos = 1/sqrt(2)).
    across, along = fresnel_power(0.35 - 8.4j, np.pi / 4)
    assert along == pytest.approx(across**2, rel=1e-13)


def test_ratio_is_one_at_its_reference_and_without_a_metal():
    at = np.array([0.35])
    assert relative_reflectivity(GOLD, 1310.0, at, 1310.0, 0.35) == pytest.approx(1.0)
    np.testing.assert_array_equal(relative_reflectivity((), 1260.0, at, 1310.0, 0.3), [1.0])
    assert metal_index(GOLD, 1300.0) == pytest.approx(0.355 - 8.45j)
