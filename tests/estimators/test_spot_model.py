"""Pixel-integrated spots against quadrature, moments and differences."""

import numpy as np
import pytest

from sim.estimators.spot_model import axis_profile, axis_slope, pixel_integrated


def test_a_pixel_holds_the_integral_of_the_gaussian_over_it():
    # Second route: Gauss-Legendre quadrature with 20 nodes a side, exact to rounding here.
    node, weight = np.polynomial.legendre.leggauss(20)
    x0, y0, sigma = 3.3, 4.8, 1.2
    got = pixel_integrated([[x0, y0]], sigma, (9, 7))[0]
    for row, column in [(0, 0), (4, 3), (5, 2), (8, 6)]:
        x, y = column + node / 2, row + node / 2
        gx = np.exp(-((x - x0) ** 2) / (2 * sigma**2)) / np.sqrt(2 * np.pi) / sigma
        gy = np.exp(-((y - y0) ** 2) / (2 * sigma**2)) / np.sqrt(2 * np.pi) / sigma
        assert got[row, column] == pytest.approx(gx @ weight / 2 * (gy @ weight / 2), rel=1e-11)


def test_pixels_widen_the_variance_by_a_twelfth():
    # Source: Mortensen et al., Nat. Methods 7 (2010) 377: s^2 + a^2 / 12. Sheppard's correction
    # is exact but for exp(-2 pi^2 s^2), 5e-13 at s = 1.2.
    share = axis_profile([20.37], 1.2, 41)[0]
    variance = share @ (np.arange(41) - 20.37) ** 2
    assert variance == pytest.approx(1.2**2 + 1 / 12, rel=1e-9)


def test_slope_is_the_derivative_of_the_profile():
    # Central difference of step 1e-5: error about step^2 / 6 = 2e-11 plus rounding 1e-11.
    h = 1e-5
    centres = np.array([2.2, 5.9, 11.0])
    sigma = np.array([0.8, 1.8, 3.0])
    wanted = (axis_profile(centres + h, sigma, 12) - axis_profile(centres - h, sigma, 12)) / (2 * h)
    np.testing.assert_allclose(axis_slope(centres, sigma, 12), wanted, atol=1e-9)


def test_each_spot_may_have_its_own_width():
    both = pixel_integrated([[5, 5], [6, 4]], [1.0, 2.0], (12, 12))
    np.testing.assert_array_equal(both[1:], pixel_integrated([[6, 4]], 2.0, (12, 12)))


@pytest.mark.parametrize("positions", [[1.0, 2.0], [[1.0, 2.0, 3.0]]])
def test_positions_of_the_wrong_shape_are_refused(positions):
    with pytest.raises(ValueError, match="positions_px must be"):
        pixel_integrated(positions, 1.0, (5, 5))


def test_a_width_of_zero_is_refused():
    with pytest.raises(ValueError, match="sigma_px must be positive"):
        pixel_integrated([[1.0, 2.0]], 0.0, (5, 5))
