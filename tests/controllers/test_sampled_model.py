"""The frame-to-frame model against an integration of the differential equations."""

import math
from typing import Any

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from controllers.sampled_model import sampled_model

W, Q, TAU_S, FRAME_S = 2.0 * math.pi * 700.0, 8.0, 1.0 / (2.0 * math.pi * 4000.0), 1e-3


def integrate(u: np.ndarray, exposure_s: float, latency_s: float) -> np.ndarray:
    """Return exposure-averaged tilt, one per u, by a stiff-tolerance Runge-Kutta method.

    The only thing shared with the code under test is the differential equation.
    """

    def rates(t: float, x: np.ndarray, command: float) -> list[float]:
        a, tilt, rate, _ = x
        return [(command - a) / TAU_S, rate, W**2 * (a - tilt) - W / Q * rate, tilt]

    n = len(u)
    arrivals = [k * FRAME_S + latency_s for k in range(n)]
    edges = {k * FRAME_S for k in range(n + 1)} | {k * FRAME_S + exposure_s for k in range(n)}
    edges |= {t for t in arrivals if t < n * FRAME_S}
    times = sorted(edges)
    x, at = np.zeros(4), {0.0: 0.0}
    for start, end in zip(times, times[1:], strict=False):
        if end - start < 1e-12:
            at[end] = x[3]
            continue
        middle = 0.5 * (start + end)
        arrived = [k for k in range(n) if arrivals[k] <= middle]
        command = u[arrived[-1]] if arrived else 0.0
        solution = solve_ivp(
            rates, (start, end), x, args=(command,), method="DOP853", rtol=1e-12, atol=1e-15
        )
        x = solution.y[:, -1]
        at[end] = x[3]
    return np.array(
        [(at[k * FRAME_S + exposure_s] - at[k * FRAME_S]) / exposure_s for k in range(n)]
    )


@pytest.mark.parametrize(
    ("exposure_s", "latency_s", "held"),
    [
        (0.3e-3, 1.0e-3, 1),  # exactly one frame
        (0.3e-3, 0.7e-3, 1),  # within the frame of its own exposure
        (0.3e-3, 1.1e-3, 2),  # in the middle of the next exposure
        (0.3e-3, 1.37e-3, 2),  # after the next exposure
        (0.3e-3, 2.0e-3, 2),
        (0.8e-3, 2.45e-3, 3),
    ],
)
def test_agrees_with_the_differential_equations(
    exposure_s: float, latency_s: float, held: int
) -> None:
    u = np.random.default_rng(7).normal(size=12)
    model = sampled_model(W, Q, TAU_S, FRAME_S, exposure_s, latency_s)
    assert model.names[3:] == tuple(f"u[k-{age}]" for age in range(1, held + 1))
    x, got = np.zeros((len(model.names), 1)), []
    for value in u:
        got.append((model.C @ x).item())
        x = model.A @ x + model.B * value
    # The integration keeps 1e-12 per step; dividing its integral by the exposure costs 1e3 to 1e4.
    np.testing.assert_allclose(got, integrate(u, exposure_s, latency_s), atol=1e-8)


def test_many_mirrors_in_one_call_are_the_mirrors_one_by_one() -> None:
    w = W * np.array([[0.9, 1.0], [1.0, 1.1], [1.05, 1.2]])
    q = np.array([[6.0, 7.0], [8.0, 9.0], [10.0, 11.0]])
    batch = sampled_model(w, q, TAU_S, FRAME_S, 0.3e-3, 1.37e-3)
    assert batch.A.shape == (3, 2, 5, 5)
    for index in np.ndindex(3, 2):
        one = sampled_model(w[index], q[index], TAU_S, FRAME_S, 0.3e-3, 1.37e-3)
        np.testing.assert_allclose(batch.A[index], one.A, rtol=1e-10, atol=1e-12)
        np.testing.assert_allclose(batch.B[index], one.B, rtol=1e-10, atol=1e-12)
        np.testing.assert_allclose(batch.C[index], one.C, rtol=1e-10, atol=1e-12)


def test_frequency_response_is_that_of_the_pulse_response() -> None:
    model = sampled_model([W, 1.1 * W], [Q, Q], TAU_S, FRAME_S, 0.3e-3, 1.1e-3)
    n = 256  # the ringing has died to exp(-256 * 0.28)
    x, pulse = np.zeros((2, model.A.shape[-1], 1)), np.zeros((n, 2))
    for k in range(n):
        pulse[k] = (model.C @ x)[:, 0, 0]
        x = model.A @ x + model.B * float(k == 0)
    f_hz = np.fft.rfftfreq(n, FRAME_S)
    np.testing.assert_allclose(
        model.frequency_response(f_hz, FRAME_S), np.fft.rfft(pulse, axis=0), atol=1e-10
    )


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"amplifier_s": 0.0}, "amplifier_s must be positive"),
        ({"frame_s": -1.0}, "frame_s must be positive"),
        ({"exposure_s": math.nan}, "exposure_s must be positive and finite, got nan"),
        ({"quality": [8.0, 0.0]}, "quality must be positive"),
        ({"resonance_rad_s": 0.0}, "resonance_rad_s must be positive"),
        ({"exposure_s": 1.5e-3, "latency_s": 2e-3}, "exposure_s must not exceed frame_s"),
        ({"latency_s": 0.2e-3}, r"latency_s must be at least exposure_s \(0.0003\), got 0.0002"),
    ],
)
def test_bad_arguments(change: dict[str, Any], message: str) -> None:
    good: dict[str, Any] = {
        "resonance_rad_s": W,
        "quality": Q,
        "amplifier_s": TAU_S,
        "frame_s": FRAME_S,
        "exposure_s": 0.3e-3,
        "latency_s": 1e-3,
    }
    with pytest.raises(ValueError, match=message):
        sampled_model(**(good | change))
