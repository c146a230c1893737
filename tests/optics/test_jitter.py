"""Loss statistics of jitter against the exponential law and drawn errors."""

import numpy as np
import pytest

from sim.optics.jitter import jitter_loss_db

DB = 10.0 / np.log(10.0)


def offset_form(waist: float = 1.0) -> np.ndarray:
    """Offset along two axes alone, equal waists: loss = DB d^2 / w^2."""
    return np.diag([DB / waist**2, DB / waist**2, 0.0, 0.0])[None]


# Gaussian jitter of s waists an axis: the loss in dB is exponential, mean (20/ln 10) s^2; derived,
# and confirmed apart from this code by quadrature. s, mean, 99.9 % quantile.
@pytest.mark.parametrize(
    "sigma, mean, high",
    [(0.05, 0.021715, 0.15000), (0.1, 0.086859, 0.60000), (0.2, 0.347436, 2.40000)],
)
def test_offset_jitter_is_exponential(sigma, mean, high):
    got_mean, got_high = jitter_loss_db(offset_form(), np.zeros((1, 4)), sigma, 0.999)
    assert got_mean[0] == pytest.approx(mean, abs=1e-6)
    # The table between whose points the quantile is taken is good to 1e-6.
    assert got_high[0] == pytest.approx(high, rel=2e-5)


@pytest.mark.parametrize("share", [0.9, 0.99, 0.999])
def test_unequal_axes_and_a_static_error_match_drawn_errors(share):
    rng = np.random.default_rng(6)
    root = rng.normal(size=(4, 4)) * np.array([1.0, 0.8, 0.5, 0.4])
    form, error = root.T @ root, np.array([0.3, -0.2, 0.1, 0.2])
    drawn = error + 0.25 * rng.normal(size=(400_000, 4))
    loss = np.einsum("ni,ij,nj->n", drawn, form, drawn) - error @ form @ error
    mean, high = jitter_loss_db(form[None], error[None], 0.25, share)
    assert mean[0] == pytest.approx(loss.mean(), rel=0.01)
    # Three cumulants do not make the whole law: a few per cent in the tail, stated in the docs.
    assert high[0] == pytest.approx(np.quantile(loss, share), rel=0.05)


def test_many_equal_weights_are_a_plain_chi_squared():
    from scipy.stats import chi2

    _, high = jitter_loss_db(np.eye(4)[None], np.zeros((1, 4)), 1.0, 0.99)
    assert high[0] == pytest.approx(chi2.ppf(0.99, 4), rel=1e-5)


def test_without_jitter_nothing_is_added():
    for part in jitter_loss_db(offset_form(), np.ones((1, 4)), 0.0, 0.999):
        np.testing.assert_array_equal(part, [0.0])


# Largest of n exponential losses, sigma = 0.1 w on both axes (mean 0.0868589 dB): the quantile
# -m ln(1 - 0.99^(1/n)), by two quadratures elsewhere.
@pytest.mark.parametrize("count, largest_db", [(32, 0.700608), (1024, 1.001624)])
def test_the_largest_of_many_jittering_connections(count, largest_db):
    form = np.diag([10 / np.log(10), 10 / np.log(10), 0.0, 0.0])[None]
    mean, quantile = jitter_loss_db(form, np.zeros((1, 4)), 0.1, 0.99 ** (1 / count))
    assert mean[0] == pytest.approx(0.0868589, abs=1e-7)
    assert quantile[0] == pytest.approx(largest_db, abs=2e-5)


# Mean of the largest of n such losses: m (1 + 1/2 + ... + 1/n), exact; 0.352516 and 0.652239 dB.
@pytest.mark.parametrize("count, mean_db", [(32, 0.352516), (1024, 0.652239)])
def test_the_mean_of_the_largest_of_many_jittering_connections(count, mean_db):
    form = np.diag([10 / np.log(10), 10 / np.log(10), 0.0, 0.0])[None]
    # E[max] = integral over p of the quantile at p^(1/n); p = 1 - exp(-t), by Gauss and Laguerre.
    t, weight = np.polynomial.laguerre.laggauss(64)
    t, weight = t[t < 30.0], weight[t < 30.0]
    shares = (1.0 - np.exp(-t)) ** (1 / count)
    high = [jitter_loss_db(form, np.zeros((1, 4)), 0.1, float(q))[1][0] for q in shares]
    assert weight @ np.array(high) == pytest.approx(mean_db, rel=5e-4)  # 64 nodes, a logarithm at 0
    harmonic = np.sum(1.0 / np.arange(1, count + 1))
    assert 0.0868589 * harmonic == pytest.approx(mean_db, abs=1e-6)
