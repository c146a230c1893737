"""The bound of a frame as it is: at rest, moved, saturated."""

import numpy as np
import pytest
from scipy import integrate
from scipy.stats import norm

from sim.estimators.bounds import position_bound_px
from sim.studies.estimators.bound import frame_bound_px, kept_information
from tests.estimators.spot_formulas import mortensen_likelihood_px


def at_rest(x, y):
    return np.array([[[x], [y]]], dtype=float)


@pytest.mark.parametrize("signal_e", [500.0, 5000.0, 20000.0])
def test_at_rest_it_is_the_bound_over_pixels(demo, signal_e):
    # The same sum, written a second time; rounding (a twelfth of the squared 2 e- per DN) enters
    # as read noise does. Saturation at 1900 e- is 17 deviations from the peak of 975 e-.
    fixed = np.sqrt(demo.read_noise_e**2 + 4 / 12)
    want = position_bound_px(
        signal_e, demo.spot_sigma_px, demo.background_e, fixed, (24, 24), (11.2, 11.9)
    )
    got = frame_bound_px(at_rest(11.2, 11.9), demo.replace(signal_e=signal_e))
    np.testing.assert_allclose(got, want, rtol=1e-12)


def test_at_rest_it_is_mortensens_integral(demo):
    # K. I. Mortensen et al., Nat. Methods 7 (2010) 377 (formula from memory): an integral in
    # place of the sum over pixels. They differ by the pixels' shape: 0.3 % at sigma 1.8 px.
    for signal_e in (500.0, 5000.0, 20000.0):
        want = mortensen_likelihood_px(signal_e, 1.8, 20 + 36 + 4 / 12)
        got = frame_bound_px(at_rest(11.5, 11.5), demo.replace(signal_e=signal_e))
        np.testing.assert_allclose(got, want, rtol=3e-3)


def test_motion_widens_the_bound_along_the_path_alone(demo):
    # A path of length L adds L^2 / 12 to the spot's variance along it, which for shot noise alone
    # is the bound's variance. Dark noise adds to both, so the ratio is only near that: 5 %.
    dark_free = demo.replace(background_e=0.0, read_noise_e=1.0, gain_dn_per_e=5.0, bits=16)
    along = (np.arange(64) + 0.5) / 64 - 0.5
    path = np.stack([11.5 + 2.0 * along, np.full(64, 11.5)], axis=1)[:, :, None]
    moved = frame_bound_px(path, dark_free)[0]
    rest = frame_bound_px(at_rest(11.5, 11.5), dark_free)[0]
    spread = 1.8**2 + 1 / 12
    assert moved[0] / rest[0] == pytest.approx(np.sqrt(1 + 4 / 12 / spread), rel=0.02)
    assert moved[1] / rest[1] == pytest.approx(1.0, abs=0.02)


@pytest.mark.parametrize("z", [-3.0, -0.5, 0.0, 1.0, 4.0])
def test_information_under_a_limit_is_the_censored_sample_s(z):
    # The definition, integrated: mean square of the score (x - mean) below the limit, and the
    # squared slope of the clipped part's probability over that probability.
    below, _ = integrate.quad(lambda x: x**2 * norm.pdf(x), -12, z)
    want = below + norm.pdf(z) ** 2 / norm.sf(z)
    assert kept_information(np.array([z]))[0] == pytest.approx(want, abs=1e-9)


def test_saturated_pixels_are_worth_nothing_and_the_rest_still_something(demo):
    bright = demo.replace(signal_e=160000.0)
    roomy = bright.replace(full_well_e=1e6, bits=16)
    cut, whole = (frame_bound_px(at_rest(11.5, 11.5), c) for c in (bright, roomy))
    assert np.all(cut > 1.05 * whole)
    assert np.all(np.isfinite(cut))


def test_bad_input(demo):
    with pytest.raises(ValueError, match=r"path_px must be \(S, 2, M\)"):
        frame_bound_px(np.zeros((2, 3)), demo)
    with pytest.raises(ValueError, match="signal_e must be positive"):
        frame_bound_px(at_rest(11, 11), demo.replace(signal_e=0.0))
