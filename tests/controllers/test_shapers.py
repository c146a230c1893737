"""What every shaper must keep to, and the minimum-jerk path."""

import math
from typing import Any

import numpy as np
import pytest
from mirrorloop.testing.controllers import PLANT

from controllers import SHAPERS
from controllers.shaping.minimum_jerk import minimum_jerk

SETTINGS: dict[str, dict[str, Any]] = {"minimum_jerk": {"duration_ms": 3.0}}
START_RAD = np.array([[0.0, 0.0], [2e-3, -1e-3], [-4e-3, 5e-3], [1e-3, 1e-3]])
TARGET_RAD = np.array([[4e-3, -4e-3], [-3e-3, -1e-3], [8e-3, 5.2e-3], [1e-3, 1e-3]])


def build(kind: str, plant: Any = PLANT, **changes: Any) -> Any:
    cls = SHAPERS[kind]
    return cls(cls.Params(kind=kind, **(SETTINGS.get(kind, {}) | changes)), plant)


def after(
    path_rad: np.ndarray, start_rad: np.ndarray, w: float, q: float, tick_s: float
) -> np.ndarray:
    """Return the ringing amplitude (M,) of a mirror once the path of one axis (K, M) has ended.

    Exact response between ticks by the textbook solution of a damped oscillator, tick by tick.
    """
    from scipy.linalg import expm

    step = expm(np.array([[0.0, 1.0], [-(w**2), -w / q]]) * tick_s)
    x = np.stack([start_rad, np.zeros_like(start_rad)])
    for command in path_rad:
        offset = np.stack([command, np.zeros_like(command)])
        x = offset + step @ (x - offset)
    y, rate = x[0] - path_rad[-1], x[1]
    real, imag = w / (2.0 * q), w * math.sqrt(1.0 - 1.0 / (4.0 * q * q))
    return np.hypot(y, (rate + real * y) / imag)


@pytest.mark.parametrize("kind", sorted(SHAPERS))
def test_path_ends_on_the_target_and_moves_nothing_else(kind: str) -> None:
    shaper = build(kind)
    start_rad, target_rad = START_RAD.copy(), TARGET_RAD.copy()
    path_rad = shaper.path(start_rad, target_rad)
    assert path_rad.shape[1:] == (4, 2)
    assert np.isfinite(path_rad).all()
    np.testing.assert_array_equal(path_rad[-1], TARGET_RAD)
    np.testing.assert_array_equal(
        path_rad[:, 3], np.broadcast_to(TARGET_RAD[3], path_rad[:, 3].shape)
    )
    np.testing.assert_array_equal((start_rad, target_rad), (START_RAD, TARGET_RAD))
    assert np.abs(path_rad).max() <= PLANT.limit_rad


@pytest.mark.parametrize("kind", sorted(SHAPERS))
def test_mirrors_do_not_talk(kind: str) -> None:
    # A shorter fleet may give a shorter path; after its end the target is held.
    shaper = build(kind)
    whole_rad = shaper.path(START_RAD, TARGET_RAD)
    for m in range(4):
        alone_rad = shaper.path(START_RAD[m : m + 1], TARGET_RAD[m : m + 1])
        n = len(alone_rad)
        np.testing.assert_array_equal(whole_rad[:n, m], alone_rad[:, 0])
        assert np.all(whole_rad[n:, m] == TARGET_RAD[m])


@pytest.mark.parametrize("kind", ["zv", "zvd", "time_optimal"])
def test_believed_mirror_is_left_at_rest(kind: str) -> None:
    path_rad = build(kind).path(START_RAD, TARGET_RAD)
    for axis in (0, 1):
        w, q = PLANT.resonance_rad_s[axis], PLANT.quality[axis]
        left_rad = after(path_rad[:, :, axis], START_RAD[:, axis], w, q, PLANT.tick_s)
        # Rounding alone: 20 steps on numbers of 1e-2 rad.
        assert left_rad.max() < 1e-14
        jump_rad = after(TARGET_RAD[None, :, axis], START_RAD[:, axis], w, q, PLANT.tick_s)
        assert jump_rad.max() > 1e-3  # without shaping it would ring


@pytest.mark.parametrize("kind", ["zv", "zvd", "time_optimal"])
def test_amplifier_lag_adds_no_ringing(kind: str) -> None:
    # Exact: a lag scales the command's content at the pole, and that is zero. Amplifier, tilt and
    # rate by expm; 60 ticks (75 amplifier time constants) after the path's end nothing is left.
    from scipy.linalg import expm

    path_rad = build(kind).path(START_RAD, TARGET_RAD)[:, :, 0]
    w, q, tau_s = PLANT.resonance_rad_s[0], PLANT.quality[0], PLANT.amplifier_s
    A = np.array([[-1 / tau_s, 0, 0], [0, 0, 1], [w**2, -(w**2), -w / q]])
    step = expm(A * PLANT.tick_s)
    x = np.stack([START_RAD[:, 0], START_RAD[:, 0], np.zeros(4)])
    for command in [*path_rad, *([path_rad[-1]] * 60)]:
        offset = np.stack([command, command, np.zeros(4)])
        x = offset + step @ (x - offset)
    assert np.abs(x[1] - TARGET_RAD[:, 0]).max() < 1e-13
    assert np.abs(x[2]).max() < 1e-13 * w


def test_no_shaping_jumps() -> None:
    path_rad = build("none").path(START_RAD, TARGET_RAD)
    np.testing.assert_array_equal(path_rad, TARGET_RAD[None])


def test_minimum_jerk_polynomial() -> None:
    # Exact: 10 s^3 - 15 s^4 + 6 s^5; rest to rest, symmetric, fastest rate 15/8 at half time, and
    # the integral of squared jerk is 720.
    assert minimum_jerk(np.array([-1.0, 0.0, 0.5, 1.0, 2.0])) == pytest.approx([0, 0, 0.5, 1, 1])
    p = np.polynomial.Polynomial([0, 0, 0, 10, -15, 6])
    s = np.linspace(0.0, 1.0, 101)
    np.testing.assert_allclose(minimum_jerk(s), p(s), atol=1e-14)
    assert p.deriv()(0.5) == pytest.approx(15.0 / 8.0)
    assert max(abs(p.deriv(k)(end)) for k in (1, 2) for end in (0.0, 1.0)) < 1e-12
    squared = (p.deriv(3) ** 2).integ()
    assert squared(1.0) - squared(0.0) == pytest.approx(720.0)
    # Least: any other path with the same ends, such as p + c s^3 (1-s)^3, has more.
    other = p + 0.5 * np.polynomial.Polynomial([0, 1]) ** 3 * np.polynomial.Polynomial([1, -1]) ** 3
    squared = (other.deriv(3) ** 2).integ()
    assert squared(1.0) - squared(0.0) > 720.0


def test_minimum_jerk_keeps_its_duration_and_its_mean_timing() -> None:
    path_rad = build("minimum_jerk", duration_ms=3.0).path(np.zeros((1, 2)), np.ones((1, 2)))
    assert len(path_rad) == 61
    # The held steps reach the middle of the move, on average, at half the duration.
    mean_s = PLANT.tick_s * (1.0 - path_rad[:, 0, 0]).sum()
    assert mean_s == pytest.approx(1.5e-3, rel=1e-9)


def test_minimum_jerk_ringing_falls_with_duration() -> None:
    # Second way: the ringing left is |Laplace transform of the command's rate| at the pole, here by
    # quadrature for an undamped mirror: amplitude = |int p'(s) exp(-i w T s) ds|. Ticks of 0.5 us.
    from scipy.integrate import quad

    w = PLANT.resonance_rad_s[0]
    fine = PLANT._replace(tick_s=0.5e-6, quality=(1e9, 1e9))
    for duration_ms in (2.3, 4.6):
        path_rad = build("minimum_jerk", fine, duration_ms=duration_ms).path(
            np.zeros((1, 2)), np.ones((1, 2))
        )
        left = after(path_rad[:, :, 0], np.zeros(1), w, 1e9, fine.tick_s)[0]
        x = w * duration_ms * 1e-3
        real, imag = (
            quad(lambda s, f=f, x=x: 30 * s**2 * (1 - s) ** 2 * f(x * s), 0, 1, epsabs=1e-13)[0]
            for f in (math.cos, math.sin)
        )
        assert left == pytest.approx(math.hypot(real, imag), abs=2e-6)
        assert left < 120.0 / x**3
