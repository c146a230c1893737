"""Poles, systems and steps of closed loops, against python-control and an integrator."""

import control
import numpy as np
import pytest
from scipy.integrate import solve_ivp

from controllers.analysis import Loop, close, closed_systems, linearise, loop_gain, nearest_poles
from controllers.analysis.linear_loop import axis_gain, sensitivity
from tests.controllers.analysis.test_linear_loop import (
    BELIEF,
    FRAME_S,
    MIRRORS,
    PI,
    delayed,
    integrator,
)


def test_pole_of_an_integrator_on_one_frame_of_delay() -> None:
    # Exact: z = 1 - K; decay -T / ln(1 - K).
    found = nearest_poles(close(Loop(linearise(integrator(0.3)), delayed(1))), FRAME_S)
    np.testing.assert_allclose(found.radius, 0.7)
    np.testing.assert_allclose(found.frequency_hz, 0.0, atol=1e-9)
    np.testing.assert_allclose(found.decay_s, -1e-3 / np.log(0.7))
    # Exact, d = 2: z^2 - z + K = 0; K = 0.6: |z|^2 = K, angle acos(1 / (2 sqrt K)).
    found = nearest_poles(close(Loop(linearise(integrator(0.6)), delayed(2))), FRAME_S)
    angle = np.arccos(0.5 / np.sqrt(0.6))
    np.testing.assert_allclose(found.radius, np.sqrt(0.6))
    np.testing.assert_allclose(found.frequency_hz, angle / (2 * np.pi * FRAME_S))
    log = np.log(np.sqrt(0.6))
    np.testing.assert_allclose(found.damping, -log / np.hypot(log, angle))


@pytest.mark.parametrize("mirror", [0, 2])
def test_systems_of_one_axis_with_the_other_closed(mirror: int) -> None:
    # Second way: the frequency response of the analysis, which never forms a closed system.
    f = np.array([2.0, 60.0, 215.0, 433.0])
    whole = sensitivity(loop_gain(Loop(linearise(PI), MIRRORS), f))[:, mirror]
    gain = axis_gain(whole)
    for a, axis in enumerate("xy"):
        systems = closed_systems(PI, MIRRORS, mirror, axis)
        for i, z in enumerate(np.exp(2j * np.pi * f * FRAME_S)):
            assert systems.L(z) == pytest.approx(gain[i, a], rel=1e-6)
            assert systems.S(z) == pytest.approx(whole[i, a, a], rel=1e-6)
            assert systems.T(z) == pytest.approx(1 - whole[i, a, a], rel=1e-6)
    both = closed_systems(PI, MIRRORS, mirror)
    poles = np.abs(control.poles(both.T)).max()
    largest = nearest_poles(close(Loop(linearise(PI), MIRRORS)), FRAME_S).radius[mirror].max()
    assert largest == pytest.approx(poles, rel=1e-8)
    with pytest.raises(ValueError, match='axis must be "x" or "y"'):
        closed_systems(PI, MIRRORS, mirror, "z")


def test_tilt_between_the_frames_after_a_step() -> None:
    # Second way: the equations of motion by an adaptive integrator, the exposure's mean from the
    # integral of the tilt, the integrator's sum by hand. A resonance of Q 30 near half the frame
    # rate rings between the readings.
    from controllers.analysis.linear_loop import time_response
    from controllers.analysis.plant import population_plant, tilt_rows

    w, q, gain, lag = 2 * np.pi * 480.0, 30.0, 0.15, BELIEF.amplifier_s
    plant = population_plant(BELIEF, np.full((1, 2), w), np.full((1, 2), q))
    loop = Loop(linearise(integrator(gain)), plant)
    n, at_s = 25, 7e-4
    still, unit = np.zeros((n, 1, 2)), np.ones((n, 1, 2))
    response = time_response(loop, still, unit)
    row, now = tilt_rows(
        BELIEF, np.full((1, 2), w), np.full((1, 2), q), np.full((1, 2), BELIEF.latency_s), at_s,
        plant.model.A.shape[-1],
    )  # fmt: skip
    ours = (np.einsum("map,kmap->kma", row[..., 0, :], response.states)
            + now[..., 0, 0] * response.sent)[:, 0, 0]  # fmt: skip

    state, sums, sent, theirs, readings = np.zeros(4), 0.0, [0.0, 0.0, 0.0], [], []
    arrival = BELIEF.latency_s - FRAME_S  # a whole frame and a part
    for _ in range(n):
        state[3] = 0.0
        tilt_at, mean = 0.0, 0.0
        for start, end, u in ((0.0, arrival, sent[-2]), (arrival, FRAME_S, sent[-1])):
            def slope(t, x, u=u):  # noqa: ANN001, ANN202
                return [(u - x[0]) / lag, x[2], w**2 * (x[0] - x[1]) - w / q * x[2], x[1]]
            run = solve_ivp(slope, (start, end), state, rtol=1e-10, atol=1e-13, dense_output=True)
            if start <= at_s <= end:
                tilt_at = float(run.sol(at_s)[1])
            if start <= BELIEF.exposure_s <= end:
                mean = float(run.sol(BELIEF.exposure_s)[3]) / BELIEF.exposure_s
            state = run.y[:, -1].copy()
        theirs.append(tilt_at)
        readings.append(mean)
        sums += gain * (1.0 - mean)
        sent.append(sums)
    assert ours == pytest.approx(theirs, abs=1e-7)
    assert response.reading[:, 0, 0] == pytest.approx(readings, abs=1e-7)
    assert np.abs(ours - response.reading[:, 0, 0]).max() > 0.05
