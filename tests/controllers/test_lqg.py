"""The LQG design: optimal where optimality can be checked, and free of offset."""

from typing import Any

import numpy as np
import pytest
from mirrorloop.testing.controllers import PLANT, aim

from controllers.integrator import Integrator
from controllers.lqg import Lqg
from controllers.lqg_design import LineParams, disturbance_model
from controllers.sampled_model import SampledModel
from sim.foundations.ports import PlantBelief, SpotStatus, TiltReading
from tests.controllers.loops import on_model
from tests.controllers.test_smith import model_of

BASE: dict[str, Any] = {"drift_urad_per_sqrt_s": 100.0, "noise_urad": 4.0, "control_weight": 0.3}
LINE = {"frequency_hz": 120.0, "bandwidth_hz": 2.0, "rms_urad": 20.0}
STIFF = PLANT._replace(
    resonance_rad_s=(1e6, 1e6), quality=(0.7, 0.7), amplifier_s=1e-7, latency_s=2e-3
)
"""A mirror that follows at once: nothing is left but two frames of delay."""


def build(plant: PlantBelief = PLANT, **changes: Any) -> Lqg:
    return Lqg(Lqg.Params(**(BASE | changes)), plant)


def variance(controller: Any, model: SampledModel, drift: float, noise: float) -> float:
    """Return the stationary variance of the x mismatch from its responses to drift and noise."""
    n = 1500
    step = np.zeros((n, 1, 2))
    pulse = step.copy()
    step[:], pulse[0] = 1.0, 1.0
    to_drift, _ = on_model(controller, model, step, np.zeros_like(step))
    to_noise, _ = on_model(controller, model, np.zeros_like(step), pulse)
    assert abs(to_drift[-1, 0, 0]) < 1e-10
    return float(drift * (to_drift[:, 0, 0] ** 2).sum() + noise * (to_noise[:, 0, 0] ** 2).sum())


def test_random_walk_on_two_frames_of_delay_reaches_the_bound() -> None:
    # Exact: no controller does better than the error of the best prediction two frames ahead:
    # P- + q for latency two, with P-/r = 0.37015621 at q/r = 0.1: 0.47015621 r.
    # The best plain integrator needs 0.475207 r. The control weight of 1e-6 costs next to nothing.
    drift = np.sqrt(0.1 * 16.0 / 1e-3)
    lqg = build(STIFF, drift_urad_per_sqrt_s=drift, control_weight=1e-6, mirror_noise_urad=0.0)
    integrator = Integrator(Integrator.Params(integral_per_frame=0.217364), STIFF)
    model = model_of(STIFF)
    assert variance(lqg, model, 0.1, 1.0) == pytest.approx(0.47015621, abs=1e-8)
    # The mirror's lag of a few us moves the integrator's figure by parts in a thousand.
    assert variance(integrator, model, 0.1, 1.0) == pytest.approx(0.475207, rel=2e-3)


def test_feedback_gain_is_the_best_there_is() -> None:
    # Second way: run the model with the true state fed back from a disturbed start and add up the
    # cost. Any gain moved a little, alone or together, must cost more.
    gains = build(lines=(LINE,)).gains
    A, B, C, K = (g[0] for g in (gains.A, gains.B, gains.C, gains.K))
    start = np.array([[0.2], [-0.1], [300.0], [0.3], [1.0], [0.7], [-0.4]])

    def cost(K: np.ndarray) -> float:
        x, total = start, 0.0
        for _ in range(2500):
            change = -(K @ x)
            total += (C @ x).item() ** 2 + BASE["control_weight"] * change.item() ** 2
            x = A @ x + B * (x[3] + change)
        return total

    best = cost(K)
    rng = np.random.default_rng(3)
    moves = [K * 0.03 * sign * np.eye(1, 7, i) for i in range(7) for sign in (-1, 1)]
    moves += [K * 0.02 * rng.normal(size=(1, 7)) for _ in range(6)]
    assert all(cost(K + move) > best for move in moves)


@pytest.mark.parametrize("gain", [0.8, 1.0, 1.2])
@pytest.mark.parametrize("lines", [(), (LINE,)])
def test_no_mismatch_at_rest_with_a_wrong_gain(gain: float, lines: Any) -> None:
    offset = np.full((1500, 1, 2), 1e-4)
    mismatch, sent = on_model(
        build(lines=lines), model_of(PLANT), offset, np.zeros_like(offset), gain
    )
    np.testing.assert_allclose(mismatch[-1], 0.0, atol=1e-11)
    np.testing.assert_allclose(sent[-1], -1e-4 / gain, rtol=1e-6)


def test_filter_gain_beats_its_neighbours_in_a_simulation_of_its_own_disturbances() -> None:
    # Second way: the mean squared innovation over a long record is least at the steady gain, and
    # equals C P C' + R. 60 000 frames give it to sqrt(2/60000) = 0.6 % (one sigma); 3 sigma taken.
    from controllers.kalman import steady_kalman

    line = LineParams(**LINE)
    A, C, Q = disturbance_model(1e-3, 100.0, (line,))
    steady = steady_kalman(A, C, Q, np.array([[16.0]]))
    rng = np.random.default_rng(5)
    n = 60_000
    w, v = rng.normal(size=(n, 3)) * np.sqrt(np.diag(Q)), 4.0 * rng.normal(size=n)
    gains = np.stack([steady.gain[:, 0] * f for f in (1.0, 0.7, 1.4)], axis=1)
    x, guess, total = np.zeros(3), np.zeros((3, 3)), np.zeros(3)
    for k in range(n):
        innovation = C @ x + v[k] - (C @ guess)[0]
        total += innovation**2
        guess = A @ (guess + gains * innovation)
        x = A @ x + w[k]
    expected = (C @ steady.predicted @ C.T).item() + 16.0
    assert total[0] / n == pytest.approx(expected, rel=0.018)
    assert total[0] < total[1:].min()


def test_line_disturbance_has_the_stated_rms() -> None:
    # Exact: stationary covariance from the Lyapunov equation.
    from scipy.linalg import solve_discrete_lyapunov

    A, C, Q = disturbance_model(1e-3, 100.0, (LineParams(**LINE),))
    covariance = solve_discrete_lyapunov(A[1:, 1:], Q[1:, 1:])
    assert (C[:, 1:] @ covariance @ C[:, 1:].T).item() == pytest.approx(20.0**2)


def test_a_vibration_line_is_cancelled() -> None:
    # 120 Hz on both axes. Rejection at the line is set by the design's trade with noise: with a
    # line 20 urad strong against 4 urad noise it must leave below a tenth; the integrator, whose
    # bandwidth ends near 50 Hz, makes it larger.
    t_s = 1e-3 * np.arange(3000)
    shake = (
        20e-6 * np.sqrt(2.0) * np.sin(2.0 * np.pi * 120.0 * t_s)[:, None, None] * np.ones((1, 2))
    )
    quiet = np.zeros_like(shake)
    model = model_of(PLANT)

    def left(controller: Any) -> float:
        mismatch, _ = on_model(controller, model, shake, quiet)
        return float(np.sqrt((mismatch[2000:] ** 2).mean()))

    with_line = left(build(lines=(LINE,), control_weight=0.01))
    assert with_line < 2e-6
    assert left(build(control_weight=0.01)) > 4.0 * with_line
    assert left(Integrator(Integrator.Params(integral_per_frame=0.3), PLANT)) > 20e-6


@pytest.mark.parametrize("spread", [0.95, 1.05])
def test_stays_stable_when_the_resonance_is_off(spread: float) -> None:
    true = PLANT._replace(
        resonance_rad_s=(spread * PLANT.resonance_rad_s[0], spread * PLANT.resonance_rad_s[1])
    )
    pulse = np.zeros((1500, 1, 2))
    pulse[0] = 1e-4
    mismatch, _ = on_model(build(), model_of(true), pulse, np.zeros_like(pulse))
    assert np.abs(mismatch[-100:]).max() < 1e-9


def test_a_lost_mirror_coasts_on_the_line_and_forgets_it() -> None:
    controller = build(lines=(LINE,), control_weight=0.01)
    t_s = 1e-3 * np.arange(1000)
    state = controller.initial_state(1)
    for value in 20e-6 * np.sin(2.0 * np.pi * 120.0 * t_s):
        reading = TiltReading(np.full((1, 2), value), np.zeros(1, dtype=np.uint8))
        state, _ = controller.step(state, reading, aim(1))
    lost = TiltReading(np.full((1, 2), np.nan), np.full(1, SpotStatus.DIM, dtype=np.uint8))
    coasted = []
    for _ in range(2000):
        state, u = controller.step(state, lost, aim(1))
        coasted.append(u[0, 0])
    swing = np.ptp(np.array(coasted).reshape(20, 100), axis=1)
    # Half-power width of 2 Hz: a factor exp(-2 pi * 0.1 s) each hundred frames.
    np.testing.assert_allclose(swing[1:6] / swing[:5], np.exp(-2.0 * np.pi * 0.1), rtol=0.05)


def test_bad_arguments() -> None:
    with pytest.raises(ValueError, match="lqg line frequency_hz must lie above 0 and below half"):
        build(lines=({**LINE, "frequency_hz": 700.0},))
    with pytest.raises(ValueError, match="lqg: no steady filter or regulator for control_weight"):
        # Beyond what the settings allow: the design itself must say so too.
        Lqg(build().params.model_copy(update={"control_weight": 1e30}), PLANT)
    with pytest.raises(ValueError, match="less than or equal to 1000000000"):
        build(control_weight=1e30)


def test_noises_that_grow_together_leave_the_filter_as_it_is() -> None:
    # The filter's gain depends on ratios of variances alone (linear in all covariances).
    def gain(k: float, mirror: float = 1.0) -> Any:
        line = LINE | {"rms_urad": 20.0 * k}
        return build(drift_urad_per_sqrt_s=100.0 * k, noise_urad=4.0 * k,
                     mirror_noise_urad=3.0 * k * mirror, lines=(line,)).gains.L  # fmt: skip

    np.testing.assert_allclose(gain(7.0), gain(1.0), rtol=1e-6, atol=1e-9)
    assert np.abs(gain(1.0, mirror=5.0) - gain(1.0)).max() > 1e-3  # and each of them matters
