"""The shipped controllers on an ideal mirror with delay, against closed forms."""

import math

import numpy as np
import pytest
from mirrorloop.testing.controllers import PLANT

from controllers.integrator import Integrator
from controllers.pi import Pi
from controllers.pid import Pid
from tests.controllers.loops import delayed, frames, growth, margins, noise_gain, pulse, sensitivity


def integrator(gain: float) -> Integrator:
    return Integrator(Integrator.Params(integral_per_frame=gain), PLANT)


@pytest.mark.parametrize(
    ("d", "limit"), [(1, 2.0), (2, 1.0), (3, 0.618034), (4, 0.445042), (5, 0.347296)]
)
def test_highest_stable_integrator_gain(d: int, limit: float) -> None:
    # Exact: z^d - z^(d-1) + K = 0 has its pair on the unit circle at K = 2 sin(pi/(2(2d-1))).
    assert 2.0 * math.sin(math.pi / (2.0 * (2 * d - 1))) == pytest.approx(limit, abs=1e-6)
    # The growth is read from two windows of 200 frames; a wave cut by their ends makes 1e-4.
    assert growth(integrator(limit), frames(d)) == pytest.approx(1.0, abs=1e-4)
    for factor in (0.98, 1.02):
        poly = np.zeros(d + 1)
        poly[0], poly[1] = 1.0, -1.0
        poly[d] += factor * limit
        root = np.abs(np.roots(poly)).max()
        assert abs(root - 1.0) > 1e-3
        assert growth(integrator(factor * limit), frames(d)) == pytest.approx(root, abs=1e-4)


@pytest.mark.parametrize(
    ("share", "limit"), [(0.1, 2.5), (0.25, 4.0), (0.5, 2.0), (0.75, 4.0 / 3.0), (1.0, 1.0)]
)
def test_highest_gain_if_the_mirror_moves_during_the_exposure(share: float, limit: float) -> None:
    # Exact: y[k] = (1-f) u[k] + f u[k-1] gives z^2 - (1 - K(1-f)) z + K f = 0, stable up to
    # K = min(1/f, 2/(1-2f)); not monotonic in f.
    exact = min(1.0 / share, 2.0 / (1.0 - 2.0 * share) if share < 0.5 else math.inf)
    assert exact == pytest.approx(limit, rel=1e-12)
    taps = np.array([1.0 - share, share])
    assert growth(integrator(0.99 * limit), taps) < 1.0 - 1e-3
    assert growth(integrator(1.01 * limit), taps) > 1.0 + 1e-3


@pytest.mark.parametrize(
    ("d", "phase_deg"), [(1, 82.819), (2, 68.458), (3, 54.096), (4, 39.735), (5, 25.373)]
)
def test_margins_at_a_quarter(d: int, phase_deg: float) -> None:
    # Exact: phase margin pi/2 - (d - 1/2) 2 asin(K/2), gain margin 2 sin(pi/(2(2d-1)))/K.
    got = margins(sensitivity(integrator(0.25), frames(d), 1500))
    assert got.phase_deg == pytest.approx(phase_deg, abs=1e-3)  # half of the last printed digit
    highest = 2.0 * math.sin(math.pi / (2.0 * (2 * d - 1)))
    if d > 1:  # for d = 1 the phase reaches -180 degrees at the Nyquist frequency itself
        assert got.gain == pytest.approx(highest / 0.25, rel=1e-5)


@pytest.mark.parametrize(
    ("d", "peaks"),
    [
        (2, [1.1446, 1.3143, 1.5274, 1.8079, 2.1974]),
        (3, [1.2506, 1.5979, 2.1523, 3.2055, 6.0309]),
    ],
)
def test_sensitivity_peak(d: int, peaks: list[float]) -> None:
    # Derived: largest |1/(1 + K z^-d/(1 - 1/z))| on the unit circle, printed to four decimals.
    for gain, peak in zip((0.1, 0.2, 0.3, 0.4, 0.5), peaks, strict=True):
        got = margins(sensitivity(integrator(gain), frames(d), 1500))
        assert got.peak == pytest.approx(peak, abs=6e-5)


@pytest.mark.parametrize(
    ("gain", "d", "peak"),
    [
        (0.45380, 2, 2.0),
        (0.27753, 3, 2.0),
        (0.19926, 4, 2.0),
        (0.32884, 2, 1.6),
        (0.20049, 3, 1.6),
        (0.14383, 4, 1.6),
    ],
)
def test_gain_for_a_wished_sensitivity_peak(gain: float, d: int, peak: float) -> None:
    # Derived by root finding, gains to five decimals; dMs/dK stays below 12 here.
    assert margins(sensitivity(integrator(gain), frames(d), 1500)).peak == pytest.approx(
        peak, abs=1e-4
    )


@pytest.mark.parametrize(("d", "crossing"), [(1, 0.08830), (2, 0.05145), (3, 0.04039)])
def test_bandwidth_of_rejection(d: int, crossing: float) -> None:
    # Derived: first |S| = 1 at K = 0.3, as a share of the frame rate, to five decimals.
    got = margins(sensitivity(integrator(0.3), frames(d), 1500))
    assert got.first_one_at / (2.0 * math.pi) == pytest.approx(crossing, abs=6e-6)


@pytest.mark.parametrize(
    ("gain", "expected"),
    [(0.3, (0.17647059, 0.24223602, 0.35004822)), (0.5, (0.33333333, 0.6, 1.66666667))],
)
def test_noise_gain(gain: float, expected: tuple[float, ...]) -> None:
    # Exact: K/(2-K) for d = 1, K(1+K)/((1-K)(2+K)) for d = 2; d = 3 from a Lyapunov equation.
    for d, value in enumerate(expected, start=1):
        assert noise_gain(integrator(gain), frames(d), 1500) == pytest.approx(value, abs=1e-8)


def test_fastest_gain_without_oscillation() -> None:
    # Exact: z^d - z^(d-1) + K = 0 has its real double root at K = (d-1)^(d-1)/d^d.
    for d in (2, 3, 4, 5):
        limit = (d - 1) ** (d - 1) / d**d
        below, _ = delayed(integrator(0.98 * limit), frames(d), np.ones(400), np.zeros(400))
        above, _ = delayed(integrator(1.2 * limit), frames(d), np.ones(400), np.zeros(400))
        assert below.min() > -1e-12
        assert above.min() < -1e-4


@pytest.mark.parametrize(
    ("kl", "phase_deg", "gain", "peak", "peak_at", "first_one_at"),
    [
        (0.2, 78.5408, 7.8540, 1.19417, 0.898, 0.31893),
        (0.25, 75.6761, 6.2832, 1.24889, 0.952, 0.35736),
        (0.3, 72.8113, 5.2360, 1.30731, 0.999, 0.39233),
        (0.5, 61.3521, 3.1416, 1.59049, 1.144, 0.51111),
        (math.pi / 4.0, 45.0, 2.0, 2.23221, 1.293, 0.64941),
        (1.0, 32.7042, 1.5708, 3.12931, 1.382, 0.74085),
    ],
)
def test_many_frames_of_delay_approach_the_continuous_integrator(
    kl: float, phase_deg: float, gain: float, peak: float, peak_at: float, first_one_at: float
) -> None:
    # Derived for K/s exp(-L s): margins pi/2 - KL and pi/(2KL). An integrator at the frame rate and
    # d frames of delay has L = d - 1/2 frames and differs by (KL/d)^2/24 and (pi/2d)^2/6, here
    # below 1e-4 of each value; the peak of S moves by as much times its steepness.
    d = 80
    length = d - 0.5
    got = margins(sensitivity(integrator(kl / length), frames(d), 10000))
    assert got.phase_deg == pytest.approx(phase_deg, abs=5e-3)
    assert got.gain == pytest.approx(gain, rel=1e-4)
    assert got.peak == pytest.approx(peak, rel=3e-4)
    assert got.peak_at * length == pytest.approx(peak_at, abs=2e-3)
    assert got.first_one_at * length == pytest.approx(first_one_at, rel=2e-4)


def test_pi_and_pid_pulse_responses() -> None:
    # Exact: P e + K sum(e) + D, D[k] = a D[k-1] + (1-a) Kd (e[k] - e[k-1]), a = Tf/(Tf+1). The loop
    # is open (taps zero), so e is minus a pulse; it comes in frame 1, because a first frame has no
    # difference yet.
    p, k, kd, tf = 0.4, 0.25, 0.6, 1.5
    e = -np.roll(pulse(12), 1)
    pi = p * e + k * np.cumsum(e)
    a = tf / (tf + 1.0)
    derivative = np.zeros(12)
    for n in range(1, 12):
        derivative[n] = a * derivative[n - 1] + (1.0 - a) * kd * (e[n] - e[n - 1])
    _, got = delayed(
        Pi(Pi.Params(proportional=p, integral_per_frame=k), PLANT), np.zeros(1), -e, np.zeros(12)
    )
    np.testing.assert_allclose(got, pi, atol=1e-15)
    params = Pid.Params(
        proportional=p, integral_per_frame=k, derivative_frames=kd, derivative_filter_frames=tf
    )
    _, got = delayed(Pid(params, PLANT), np.zeros(1), -e, np.zeros(12))
    np.testing.assert_allclose(got, pi + derivative, atol=1e-15)


def test_pi_noise_gain_against_a_lyapunov_equation() -> None:
    # Exact second way: state (u[k-1], u[k-2], integral) of the loop on a two-frame delay, white
    # noise n: e = -(u[k-2] + n), and the variance of u from P = A P A' + B B'.
    from scipy.linalg import solve_discrete_lyapunov

    p, k = 0.2, 0.15
    A = np.array([[0.0, -(p + k), 1.0], [1.0, 0.0, 0.0], [0.0, -k, 1.0]])
    B = np.array([[-(p + k)], [0.0], [-k]])
    expected = solve_discrete_lyapunov(A, B @ B.T)[0, 0]
    controller = Pi(Pi.Params(proportional=p, integral_per_frame=k), PLANT)
    assert noise_gain(controller, frames(2), 1500) == pytest.approx(expected, rel=1e-9)
