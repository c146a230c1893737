"""The steady filter against closed forms."""

import math

import numpy as np
import pytest
from mirrorloop.testing.controllers import PLANT
from scipy.optimize import minimize_scalar

from controllers.integrator import Integrator
from controllers.kalman import steady_kalman, steady_regulator
from tests.controllers.loops import delayed, frames, noise_gain


@pytest.mark.parametrize(
    ("index", "alpha", "beta"),
    [
        (0.01, 0.13185099, 0.00931745),
        (0.1, 0.36, 0.08),
        (0.5, 0.62837346, 0.30480590),
        (1.0, 0.75, 0.5),
        (2.0, 0.85410197, 0.76393202),
    ],
)
def test_alpha_beta_filter(index: float, alpha: float, beta: float) -> None:
    # Source: P. R. Kalata, "The tracking index", IEEE Trans. Aerospace Electron. Syst. 20 (1984)
    # 174: r = (4 + L - sqrt(8 L + L^2))/4, alpha = 1 - r^2, beta = 2(2 - alpha) - 4 sqrt(1 - alpha)
    # (formula from memory, not checked against the paper). Piecewise constant acceleration.
    r = (4.0 + index - math.sqrt(8.0 * index + index**2)) / 4.0
    assert 1.0 - r**2 == pytest.approx(alpha, abs=1e-8)
    frame_s, noise = 0.02, 3.0
    G = np.array([[frame_s**2 / 2.0], [frame_s]])
    sigma_w = index * noise / frame_s**2
    A, C = np.array([[1.0, frame_s], [0.0, 1.0]]), np.array([[1.0, 0.0]])
    steady = steady_kalman(A, C, sigma_w**2 * G @ G.T, np.array([[noise**2]]))
    assert steady.gain[0, 0] == pytest.approx(alpha, abs=1e-6)
    assert steady.gain[1, 0] * frame_s == pytest.approx(beta, abs=1e-6)
    assert steady.filtered[0, 0] == pytest.approx(alpha * noise**2, rel=1e-6)


@pytest.mark.parametrize(
    ("ratio", "gain"),
    [(0.01, 0.09512492), (0.1, 0.27015621), (0.25, 0.39038820), (1.0, 0.61803399)],
)
def test_random_walk(ratio: float, gain: float) -> None:
    # Exact: P^2 = q (P + r) gives K = (-rho + sqrt(rho^2 + 4 rho))/2 and P-/r = K + rho.
    one = np.eye(1)
    steady = steady_kalman(one, one, 2.0 * ratio * one, 2.0 * one)
    assert steady.gain[0, 0] == pytest.approx(gain, abs=1e-6)
    assert steady.predicted[0, 0] / 2.0 == pytest.approx(gain + ratio, abs=1e-6)


def test_autoregressive_state() -> None:
    # Exact: P = a^2 P r/(P + r) + q with a = 0.95, q = 0.1, r = 1.
    one = np.eye(1)
    steady = steady_kalman(0.95 * one, one, 0.1 * one, one)
    assert steady.predicted[0, 0] == pytest.approx(0.31748024, abs=1e-6)
    assert steady.gain[0, 0] == pytest.approx(0.24097533, abs=1e-6)


@pytest.mark.parametrize(
    ("d", "gain", "variance"),
    [(1, 0.270156, 0.370156), (2, 0.217364, 0.475207), (3, 0.180062, 0.588883)],
)
def test_best_plain_integrator_for_a_random_walk(d: int, gain: float, variance: float) -> None:
    # Derived with a Lyapunov equation for q/r = 0.1; for d = 1 it is the Kalman filter's P-. Here:
    # q sum(step response^2) + r sum(noise response^2), run through the controller itself.
    def total(k: float) -> float:
        controller = Integrator(Integrator.Params(integral_per_frame=k), PLANT)
        response, _ = delayed(controller, frames(d), np.ones(300), np.zeros(300))
        return 0.1 * float(response @ response) + noise_gain(controller, frames(d), 300)

    best = minimize_scalar(
        total, bracket=(0.9 * gain, 1.1 * gain), tol=1e-8, options={"maxiter": 20}
    )
    assert best.x == pytest.approx(gain, abs=2e-6)
    assert best.fun == pytest.approx(variance, abs=1e-6)


def test_regulator_of_a_scalar() -> None:
    # Exact: cost = q + a^2 cost r/(cost + r), b = 1; a = q = r = 1 gives the golden ratio.
    one = np.eye(1)
    gain, cost = steady_regulator(one, one, one, one)
    golden = (1.0 + math.sqrt(5.0)) / 2.0
    assert cost[0, 0] == pytest.approx(golden, rel=1e-12)
    assert gain[0, 0] == pytest.approx(golden / (1.0 + golden), rel=1e-12)
