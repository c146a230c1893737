"""Bounds and closed forms of spot scatter: the table, a second route for each, and the limits.

The table is for s = 1.2 px, read noise 5 e, background 10 e/px and a 16 x 16 window, computed
independently of this code from the published formulas named beside each column.
"""

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import gammaln

from sim.estimators import bounds
from sim.estimators.spot_model import axis_profile, pixel_integrated
from tests.estimators import spot_formulas

SIGMA, NOISE, BACKGROUND, WINDOW, MIDDLE = 1.2, 5.0, 10.0, (16, 16), (7.5, 7.5)
VARIANCE = BACKGROUND + NOISE**2


def bound(signal_e, noise=NOISE, position=MIDDLE, **more):
    return bounds.position_bound_px(signal_e, SIGMA, BACKGROUND, noise, WINDOW, position, **more)


@pytest.mark.parametrize(
    ("signal_e", "with_noise", "without"),
    [(500, 0.11408, 0.08155), (5000, 0.02166, 0.01929), (50000, 0.005802, 0.005635)],
)
def test_bound_of_the_table(signal_e, with_noise, without):
    # Source: sum over pixels of d mu d mu^T / (mu + rho^2); Winick, J. Opt. Soc. Am. A 3 (1986)
    # 1809 (from memory). Tolerance 0.1 %; the printed digits allow 0.03 %.
    np.testing.assert_allclose(bound(signal_e), with_noise, rtol=1e-3)
    np.testing.assert_allclose(bound(signal_e, noise=0.0), without, rtol=1e-3)


@pytest.mark.parametrize(
    ("signal_e", "likelihood", "rieger", "squares", "thompson"),
    [
        (500, 0.11403, 0.11424, 0.11654, 0.10170),
        (5000, 0.02166, 0.02203, 0.02497, 0.01943),
        (50000, 0.005802, 0.005896, 0.007415, 0.005585),
    ],
)
def test_closed_forms_of_the_table(signal_e, likelihood, rieger, squares, thompson):
    # Sources: Mortensen et al., Nat. Methods 7 (2010) 377; Rieger and Stallinga (2014); Thompson,
    # Larson and Webb, Biophys. J. 82 (2002) 2775; formulas from memory, b^2 put to b + rho^2.
    args = (signal_e, SIGMA, VARIANCE)
    assert spot_formulas.mortensen_likelihood_px(*args) == pytest.approx(likelihood, rel=1e-3)
    assert spot_formulas.rieger_stallinga_px(*args) == pytest.approx(rieger, rel=1e-3)
    assert spot_formulas.mortensen_least_squares_px(*args) == pytest.approx(squares, rel=1e-3)
    assert spot_formulas.thompson_px(*args) == pytest.approx(thompson, rel=1e-3)
    # What they are here for: the bound is Mortensen's integral where the window holds the spot,
    # and Thompson's form is no floor.
    np.testing.assert_allclose(bound(signal_e), spot_formulas.mortensen_likelihood_px(*args), 1e-3)
    assert spot_formulas.thompson_px(*args) < bound(signal_e).min()


@pytest.mark.parametrize("tau_variance", [0.3, 35.0, 4000.0])
def test_mortensen_integral_by_quadrature(tau_variance):
    # Second route: the integral itself; quad states about 1e-10.
    spread = SIGMA**2 + 1 / 12
    tau = 2 * np.pi * spread * tau_variance / 5000
    integral, _ = quad(lambda t: np.log(t) / (1 + t / tau), 0, 1)
    wanted = np.sqrt(spread / 5000 / (1 + integral))
    got = spot_formulas.mortensen_likelihood_px(5000, SIGMA, tau_variance)
    assert got == pytest.approx(wanted, rel=1e-7)


def test_mortensen_without_background_is_the_shot_noise_limit():
    got = spot_formulas.mortensen_likelihood_px(400, SIGMA, 0.0)
    assert got == pytest.approx(np.sqrt((SIGMA**2 + 1 / 12) / 400), rel=1e-12)


def test_read_noise_as_variance_is_near_the_exact_mixture():
    # Second route: Fisher information of Poisson plus normal, by summing the mixture's density.
    # The table's 0.11395 at 500 e is that mixture; the variance form is 0.11408, 0.1 % higher.
    mu = 500 * pixel_integrated([MIDDLE], SIGMA, WINDOW)[0] + BACKGROUND
    level = np.linspace(9.9, mu.max() + 0.1, 60)
    k = np.arange(0, 200)
    x = np.arange(-40.0, 220.0, 0.5)
    kernel = np.exp(-0.5 * ((x[:, None] - k) / NOISE) ** 2) / np.sqrt(2 * np.pi) / NOISE
    chance = np.exp(k * np.log(level[:, None]) - level[:, None] - gammaln(k + 1))
    density = chance @ kernel.T
    slope = (chance * (k / level[:, None] - 1)) @ kernel.T
    information = (slope**2 / np.maximum(density, 1e-300)).sum(axis=1) * 0.5
    step = 1e-4
    moved = pixel_integrated([[MIDDLE[0] + step, MIDDLE[1]]], SIGMA, WINDOW)[0]
    back = pixel_integrated([[MIDDLE[0] - step, MIDDLE[1]]], SIGMA, WINDOW)[0]
    by_x = 500 * (moved - back) / (2 * step)
    exact = 1 / np.sqrt((by_x**2 * np.interp(mu, level, information)).sum())
    assert exact == pytest.approx(0.11395, rel=1e-3)
    assert bound(500)[0, 0] == pytest.approx(exact, rel=2e-3)


def test_bound_hardly_knows_where_in_the_pixel_the_spot_is():
    # Stated: below 0.02 % at s = 1.2 px; the window's edge is far enough off not to matter.
    phases = np.stack([7.5 + np.linspace(0, 1, 9), np.full(9, 7.5)], axis=-1)
    spread = bound(np.full(9, 5000.0), position=phases)
    assert np.ptp(spread[:, 0]) / spread[:, 0].mean() < 4e-4


def test_unknown_light_and_background_cost_nothing_in_the_middle():
    # By symmetry the off-diagonal sums vanish; stated below 1e-4.
    np.testing.assert_allclose(bound(5000, free_light=True), bound(5000), rtol=1e-4)


def test_unknown_light_costs_something_at_the_edge():
    edge = (1.0, 7.5)
    fixed = bound(5000, position=edge)[0, 0]
    assert bound(5000, position=edge, free_light=True)[0, 0] > 1.01 * fixed


@pytest.mark.parametrize(
    ("signal_e", "wide", "narrow"),
    [(500, 0.8744, 0.2238), (5000, 0.08900, 0.02784), (50000, 0.010326, 0.005930)],
)
def test_centroid_scatter_of_the_table(signal_e, wide, narrow):
    # Exact error propagation: lever arms sum to n^2 (n^2 - 1) / 12. 0.1 % by printed digits. The
    # narrow column's window cuts the spot a little, which the closed form leaves out.
    for side, scatter in ((16, wide), (8, narrow)):
        got = spot_formulas.centroid_px(signal_e, SIGMA, VARIANCE, side)
        assert got == pytest.approx(scatter, rel=1e-3)


@pytest.mark.parametrize(
    ("sigma", "peak"),
    [
        (0.3, 5.387e-2),
        (0.4, 1.353e-2),
        (0.5, 2.289e-3),
        (0.6, 2.610e-4),
        (0.7, 2.006e-5),
        (0.8, 1.038e-6),
        (1.0, 8.52e-10),
    ],
)
def test_pixel_phase_error_is_that_of_the_sampled_moment(sigma, peak):
    # Exact: Fourier series, printed to four digits; and the first moment itself over 41 pixels,
    # which it must equal to rounding.
    phase = np.linspace(-0.5, 0.5, 201)
    error = spot_formulas.pixel_phase_error_px(phase, sigma)
    moment = axis_profile(20 + phase, sigma, 41) @ (np.arange(41) - 20) - phase
    np.testing.assert_allclose(error, moment, atol=2e-14)
    assert np.abs(error).max() == pytest.approx(peak, rel=2e-3)
    assert np.all(error[(phase > 0.01) & (phase < 0.49)] < 0)


def test_bad_arguments_are_refused():
    good = (5000, SIGMA, BACKGROUND, NOISE, WINDOW, MIDDLE)
    for index, value, message in [
        (0, 0.0, "signal_e must be positive"),
        (1, 0.0, "sigma_px must be positive"),
        (2, -1.0, "must not be negative"),
        (3, -1.0, "must not be negative"),
        (5, (1.0, 2.0, 3.0), "position must be"),
    ]:
        bad = [*good[:index], value, *good[index + 1 :]]
        with pytest.raises(ValueError, match=message):
            bounds.position_bound_px(*bad)


def test_light_alone_is_known_to_sigma_over_root_n():
    # Wide spot, no background, no read noise: each electron knows the place to sigma (textbook);
    # pixels of one add a twelfth to the variance, 1 % here. A bound is no worse than without them.
    at = bounds.position_bound_px(1e4, 3.0, 0.0, 0.0, (40, 40), (19.5, 19.5))
    np.testing.assert_allclose(at, 0.03, rtol=0.01)
    for background, noise in ((-1e-9, 0.0), (0.0, -1e-9)):
        with pytest.raises(ValueError, match="must not be negative"):
            bounds.position_bound_px(1e4, 3.0, background, noise, (40, 40), (19.5, 19.5))
