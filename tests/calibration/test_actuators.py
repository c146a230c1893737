"""The table of the actuators: by hand, and against scipy's statics."""

import numpy as np
import pytest
from scipy.optimize import brentq

from sim.calibration.actuators import equilibrium, fit_actuators, wait_s
from sim.loop.reference import decoupled

STEPS = np.array([[s, 0.0] for s in (-0.04, -0.02, 0.0, 0.02, 0.04)]
                 + [[0.0, s] for s in (-0.04, -0.02, 0.0, 0.02, 0.04)])  # fmt: skip


def test_equilibrium_is_the_root_of_the_spring() -> None:
    """tilt (1 + k3 tilt^2) = u_x + c u_y, by Brent's method."""
    asked = np.array([[0.06], [-0.03]])
    cross, cubic = np.array([[0.02], [-0.01]]), np.array([4.0, -3.0])
    for axis, wanted in ((0, 0.06 - 0.02 * 0.03), (1, -0.03 - 0.01 * 0.06)):
        k = cubic[axis]
        root = brentq(lambda x, k=k, w=wanted: x * (1 + k * x * x) - w, -0.1, 0.1, xtol=1e-15)
        assert equilibrium(asked, cross, cubic)[0, axis] == pytest.approx(root, abs=1e-14)


def test_gain_and_coupling_come_back() -> None:
    """Without noise exactly: x gets 1.03 u_x + 0.012 (0.98 u_y), y its own and -0.008 of x's."""
    cubic = np.array([4.0, 4.0])
    asked = STEPS[:, None, :]
    own = asked * np.array([1.03, 0.98])
    tilt = np.stack([equilibrium(u.T, np.array([[0.012], [-0.008]]), cubic) for u in own])
    found = fit_actuators(asked, tilt + 0.0, cubic)
    np.testing.assert_allclose(found.gain, [[1.03, 0.98]], atol=1e-12)
    np.testing.assert_allclose(found.cross_axis, [[0.012, -0.008]], atol=1e-12)


def test_deviations_are_those_of_many_draws() -> None:
    """500 mirrors alike: scatter of their gains against the deviation each one states; rms over
    1000 values is good to 2.3 %, the mean of variances of 7 degrees of freedom to 2.4 %."""
    rng = np.random.default_rng(2)
    asked = np.broadcast_to(STEPS[:, None, :], (10, 500, 2))
    tilt = asked * 1.01 + 5e-6 * rng.normal(size=asked.shape)
    found = fit_actuators(asked, tilt, np.zeros(2))
    stated = np.sqrt(np.mean(found.gain_deviation**2))
    assert found.gain.std() == pytest.approx(stated, rel=0.12)
    assert stated == pytest.approx(5e-6 / np.sqrt(2 * (0.04**2 + 0.02**2)), rel=0.1)


def test_a_mirror_with_too_few_steps_has_no_gain() -> None:
    asked = np.broadcast_to(STEPS[:, None, :], (10, 2, 2))
    tilt = asked.copy()
    tilt[4:, 1] = np.nan
    found = fit_actuators(asked, tilt, np.zeros(2))
    assert np.isfinite(found.gain[0]).all() and np.isnan(found.gain[1]).all()


def test_the_wait_lets_ringing_fall_to_a_thousandth() -> None:
    """exp(-pi f t / Q) = 1e-3: 8 ln(1000) / (pi 700 Hz) = 25.129 ms, the slower of both axes."""
    assert wait_s((700.0, 760.0), (8.0, 8.0)) == pytest.approx(25.129e-3, abs=1e-6)


def test_decoupled_drives_give_each_axis_what_it_is_to_get() -> None:
    """u + c u' with the inverse of [[1, c], [d, 1]] by numpy."""
    cross = np.array([[0.02], [-0.03]])
    asked = np.array([[[0.05], [0.01]]])
    u = decoupled(asked, cross)
    matrix = np.array([[1.0, 0.02], [-0.03, 1.0]])
    np.testing.assert_allclose(u[0, :, 0], np.linalg.solve(matrix, asked[0, :, 0]), rtol=1e-14)
