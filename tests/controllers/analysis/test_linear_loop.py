"""Closed loops of a population against closed forms and python-control on the same models."""

import math

import control
import numpy as np
import pytest
from scipy.linalg import solve_discrete_lyapunov

from controllers.analysis import (
    Loop,
    Plant,
    close,
    frequency_grid,
    gain_to_fall,
    linearise,
    loop_gain,
    loop_system,
    margins,
    noise_gain,
    plant_system,
    population_plant,
)
from controllers.analysis.linear_loop import (
    axis_gain,
    growth,
    largest_singular_value,
    sensitivity,
    time_response,
)
from controllers.analysis.plant import plant_response, tilt_responses
from controllers.integrator import Integrator
from controllers.lqg import Lqg
from controllers.pi import Pi
from controllers.sampled_model import SampledModel
from sim.foundations.ports import Array, PlantBelief

FRAME_S = 1e-3
BELIEF = PlantBelief(
    frame_s=FRAME_S, exposure_s=3e-4, latency_s=1.2e-3, tick_s=5e-5,
    resonance_rad_s=(4400.0, 4800.0), quality=(8.0, 8.0), amplifier_s=4e-5, limit_rad=0.08,
)  # fmt: skip
MIRRORS = population_plant(
    BELIEF,
    2 * np.pi * np.array([[700.0, 760.0], [640.0, 810.0], [745.0, 702.0]]),
    np.array([[8.0, 8.0], [9.0, 7.0], [7.5, 8.5]]),
    gain=np.array([[1.0, 1.0], [1.05, 0.96], [0.9, 1.1]]),
    cross=[0.05, 0.08],
)
PI = Pi(Pi.Params(proportional=0.1, integral_per_frame=0.25), BELIEF)


def delayed(d: int) -> Plant:
    """A plant that shows a correction d frames later, without dynamics, axes apart."""
    A = np.eye(d, k=-1)
    B, C = np.eye(d)[:, :1], np.eye(d)[d - 1 :]
    model = SampledModel(*(np.broadcast_to(m, (1, 2, *m.shape)) for m in (A, B, C)), ("u",) * d)
    return Plant(model, np.eye(2)[None], FRAME_S)


def integrator(gain: float) -> Integrator:
    return Integrator(Integrator.Params(integral_per_frame=gain), BELIEF)


@pytest.mark.parametrize(
    ("gain", "expected"),
    [(0.3, (0.17647059, 0.24223602, 0.35004822)), (0.5, (0.33333333, 0.6, 1.66666667))],
)
def test_noise_gain_of_the_integrator(gain: float, expected: tuple[float, ...]) -> None:
    # Exact: K/(2-K) for d = 1, K(1+K)/((1-K)(2+K)) for d = 2; d = 3 from a Lyapunov equation.
    linear = linearise(integrator(gain))
    for d, value in enumerate(expected, start=1):
        got = noise_gain(close(Loop(linear, delayed(d))))
        np.testing.assert_allclose(got, value, rtol=5e-8)


@pytest.mark.parametrize("d", [1, 2, 3, 4])
def test_stability_limit_and_no_figure_beyond_it(d: int) -> None:
    # Exact: stable for K < 2 sin(pi / (2 (2d - 1))).
    limit = 2 * math.sin(math.pi / (2 * (2 * d - 1)))
    below = close(Loop(linearise(integrator(0.999 * limit)), delayed(d)))
    above = close(Loop(linearise(integrator(1.001 * limit)), delayed(d)))
    assert growth(below).max() < 1 < growth(above).min()
    assert np.isnan(noise_gain(above)).all()


def test_by_how_much_the_gain_of_an_unstable_loop_must_fall() -> None:
    # Exact: from K to 2 sin(pi / (2 (2d - 1))), for d = 2 to 1; a stable loop has none.
    for gain, factor in ((1.6, 1 / 1.6), (1.01, 1 / 1.01)):
        found = gain_to_fall(Loop(linearise(integrator(gain)), delayed(2)))
        np.testing.assert_allclose(found, factor, rtol=2e-4)
    assert np.isnan(gain_to_fall(Loop(linearise(integrator(0.9)), delayed(2)))).all()


@pytest.mark.parametrize("d", [1, 2, 3])
def test_bode_integral(d: int) -> None:
    # Exact: the mean of ln |S| up to half the frame rate is 0 for a stable loop with a frame of
    # delay or more and stable L (but for the integrator's pole on the circle): H.-K. Sung and
    # S. Hara, Int. J. Control 48 (1988) 2429 (from memory). Midpoints leave ln(2)/(2 n) at the
    # integrable singularity at zero frequency.
    n = 2**16
    f = 500.0 * (np.arange(n) + 0.5) / n
    loop = Loop(linearise(integrator(0.2)), delayed(d))
    mean = np.log(np.abs(sensitivity(loop_gain(loop, f))[:, 0, 0, 0])).mean()
    assert mean == pytest.approx(math.log(2) / (2 * n), abs=2e-8)


def test_bode_integral_of_an_unstable_controller() -> None:
    # Exact, the same source: ln |p| for a pole p of L outside the circle. p = 1.2: 0.18232156.
    z = np.exp(1j * np.pi * (np.arange(2**14) + 0.5) / 2**14)
    s = (z - 1.2) / (z - 1.2 + 0.9)  # closed pole at 0.3
    assert np.log(np.abs(s)).mean() == pytest.approx(0.18232156, abs=1e-8)


def test_plant_is_the_sampled_model_and_mixes_the_axes() -> None:
    f = np.array([1.0, 120.0, 499.0])
    own = MIRRORS.model.frequency_response(f, FRAME_S)  # (F, M, 2)
    got = plant_response(MIRRORS, f)
    np.testing.assert_allclose(got, own[..., None] * MIRRORS.mix, rtol=1e-10)
    assert MIRRORS.mix[1, 0, 1] == pytest.approx(0.05 * 0.96)


def test_a_stiffer_spring_where_the_mirror_stands() -> None:
    # Exact: th'' = w^2 (u - th (1 + k3 th^2)) about th0 has slope s = 1 + 3 k3 th0^2, so resonance
    # w sqrt(s), gain 1/s, and the same damping w/Q, so quality Q sqrt(s).
    got = population_plant(BELIEF, [[4400.0, 4800.0]], 8.0, stiffening=[[1.05, 1.0]])
    plain = population_plant(BELIEF, [[4400.0 * 1.05**0.5, 4800.0]], [[8.0 * 1.05**0.5, 8.0]])
    np.testing.assert_allclose(got.model.A, plain.model.A)
    np.testing.assert_allclose(got.mix[0], np.diag([1 / 1.05, 1.0]))
    for ours, theirs in zip(got.within, plain.within, strict=True):
        for a, b in zip(ours, theirs, strict=True):
            np.testing.assert_allclose(a, b)


@pytest.mark.parametrize("mirror", [0, 1, 2])
def test_the_same_numbers_from_python_control(mirror: int) -> None:
    loop = Loop(linearise(PI), MIRRORS)
    f = frequency_grid(loop)
    gain = loop_gain(loop, f)
    whole = sensitivity(gain)
    theirs = loop_system(PI, MIRRORS, mirror)
    some = slice(None, None, 97)
    z = np.exp(2j * np.pi * f[some] * FRAME_S)
    np.testing.assert_allclose(
        np.stack([theirs(p) for p in z]), gain[some, mirror], rtol=1e-7
    )
    # One axis alone, against stability_margins; its search is exact for rational functions.
    alone = population_plant(
        BELIEF, 2 * np.pi * np.array([[640.0, 810.0]]), [[9.0, 7.0]], gain=[[1.05, 0.96]]
    )
    ours = margins(f, axis_gain(sensitivity(loop_gain(Loop(linearise(PI), alone), f))))
    single = loop_system(PI, alone, 0, "x")
    gm, pm, sm, *_ = control.stability_margins(single)
    _, _, _, _, wgc, _ = control.stability_margins(single, returnall=True)
    assert ours.gain[0, 0] == pytest.approx(gm, rel=1e-4)
    # Beyond -180 degrees theirs is negative: less lag, not more, would be the limit.
    assert np.degrees(ours.phase_rad[0, 0]) == pytest.approx(abs(pm), abs=1e-2)
    assert 1 / ours.ms[0, 0] == pytest.approx(sm, rel=1e-4)
    first = min(w for w in wgc if w > 1.0)  # rounding makes another at 0.01 rad/s
    assert 2 * np.pi * ours.crossover_hz[0, 0] == pytest.approx(first, rel=1e-4)
    # Closed: poles, noise gain (squared 2-norm, here by scipy's Lyapunov solver), step.
    closed = control.feedback(theirs, np.eye(2))
    poles = np.abs(closed.poles()).max()
    assert growth(close(loop))[mirror] == pytest.approx(poles, rel=1e-7)
    P = solve_discrete_lyapunov(closed.A, closed.B @ closed.B.T)
    expected = np.diag(closed.C @ P @ closed.C.T)
    np.testing.assert_allclose(noise_gain(close(loop))[mirror], expected, rtol=1e-8)
    sv = np.linalg.svd(whole[some, mirror], compute_uv=False)[:, 0]
    np.testing.assert_allclose(largest_singular_value(whole[some, mirror]), sv, rtol=1e-7)
    steps = np.zeros((40, 3, 2))
    reference = np.zeros_like(steps)
    reference[..., 0] = 1.0
    _, y = control.step_response(closed, np.arange(40) * FRAME_S, input=0, squeeze=True)
    np.testing.assert_allclose(
        time_response(loop, steps, reference).reading[:, mirror], np.asarray(y).T, atol=1e-9
    )


def test_axes_break_at_one_place_with_the_other_closed() -> None:
    # Exact second way: L_xx - L_xy L_yx / (1 + L_yy).
    loop = Loop(linearise(PI), MIRRORS)
    gain = loop_gain(loop, np.array([3.0, 140.0, 377.0]))
    x = gain[..., 0, 0] - gain[..., 0, 1] * gain[..., 1, 0] / (1 + gain[..., 1, 1])
    np.testing.assert_allclose(axis_gain(sensitivity(gain))[..., 0], x, rtol=1e-9)


def test_the_grid_follows_a_controller_that_is_sharp() -> None:
    # A vibration line of the LQG puts lightly damped poles into it: the peak of |L| there must be
    # met. Second way: a uniform grid of 1/500 Hz about the line.
    line = {"frequency_hz": 62.0, "bandwidth_hz": 0.1, "rms_urad": 20.0}
    params = Lqg.Params(
        drift_urad_per_sqrt_s=20.0, noise_urad=10.0, control_weight=1.0, lines=[line]
    )
    loop = Loop(linearise(Lqg(params, BELIEF)), population_plant(BELIEF, [[4400.0, 4800.0]], 8.0))
    got = np.abs(loop_gain(loop, frequency_grid(loop))[:, 0, 0, 0])
    near = frequency_grid(loop)
    dense = np.abs(loop_gain(loop, np.arange(61.0, 63.0, 0.002))[:, 0, 0, 0])
    assert got[(near > 61) & (near < 63)].max() == pytest.approx(dense.max(), rel=0.02)
    poles = np.linalg.eigvals(loop.controller.A[0])
    sharp = [p for p in poles if abs(abs(p) - 1) < 0.01 and p.imag > 0]
    assert sharp
    for pole in sharp:  # closely on both sides of each
        hz, width_hz = np.angle(pole) / (2e-3 * np.pi), abs(1 - abs(pole)) / (2e-3 * np.pi)
        for low, high in ((hz - 2 * width_hz, hz), (hz, hz + 2 * width_hz)):
            assert ((near > low) & (near < high)).sum() >= 34


def test_tilt_within_the_frame_is_the_models_own_response() -> None:
    # Second way: row (z I - A)^-1 B + now, solved at each frequency.
    # The second plant gets a frame's correction within that frame. Exact: slowly asked for, all
    # tilt is there, whatever the instant.
    f = np.array([3.0, 120.0, 500.0])
    soon = population_plant(BELIEF._replace(latency_s=4e-4), [[4400.0, 4800.0]], 8.0)
    assert any(now.any() for _, now in soon.within)
    np.testing.assert_allclose(tilt_responses(soon, np.array([1e-6])), 1.0, atol=1e-6)
    for plant in (MIRRORS, soon):
        found = tilt_responses(plant, f)
        assert len(found) == len(plant.within) > 0
        for within, response in zip(plant.within, found, strict=True):
            assert_is_the_models(within, plant.model, response, f)


def assert_is_the_models(
    within: tuple[Array, Array], model: SampledModel, response: Array, f: Array
) -> None:
    row, now = within
    for k, z in enumerate(np.exp(2j * np.pi * f * FRAME_S)):
        inside = np.linalg.solve(z * np.eye(model.A.shape[-1]) - model.A, model.B + 0j)
        np.testing.assert_allclose(response[k], (row @ inside + now)[..., 0, 0], rtol=1e-7)


def test_bad_places_are_refused() -> None:
    with pytest.raises(ValueError, match="mirror must be 0 to 2, got 3"):
        plant_system(MIRRORS, 3)
    with pytest.raises(ValueError, match='axis must be "x" or "y"'):
        loop_system(PI, MIRRORS, 0, "z")


def test_arrays_are_fleets() -> None:
    loop = Loop(linearise(PI), MIRRORS)
    f: Array = frequency_grid(loop)
    assert f[-1] == pytest.approx(500.0) and loop_gain(loop, f[:7]).shape == (7, 3, 2, 2)
