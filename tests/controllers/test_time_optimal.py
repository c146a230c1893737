"""The quickest move: closed forms, linear programming, and the tick grid."""

import math

import numpy as np
import pytest
from mirrorloop.testing.controllers import PLANT
from scipy.optimize import linprog

from controllers.shaping.oscillator import complex_pole
from controllers.shaping.time_optimal import bang_bang, fastest_move_s
from tests.controllers.test_shapers import after, build


@pytest.mark.parametrize(
    ("ratio", "both_ways", "one_way"),
    [
        (0.25, 0.958192, 1.696124),
        (0.5, 1.318116, 1.823477),
        (0.75, 1.588654, 1.955193),
        (1.0, 1.823477, 2.094395),
    ],
)
def test_least_time_from_zero(ratio: float, both_ways: float, one_way: float) -> None:
    # Derived: cos f1 = (5 - (1+r)^2)/4, f2 = atan2(sin f1, 2 - cos f1), time f1 + f2 over w.
    # A drive that only pulls, 0 to U, is the same problem about U/2 from its lower end:
    # cos f1 = 1 - r^2/2, f2 = atan2(sin f1, 1 - cos f1).
    first = math.acos((5.0 - (1.0 + ratio) ** 2) / 4.0)
    second = math.atan2(math.sin(first), 2.0 - math.cos(first))
    assert first + second == pytest.approx(both_ways, abs=1e-6)
    assert fastest_move_s(0.0, 3.0 * ratio, 3.0, 2.0) * 2.0 == pytest.approx(both_ways, abs=1e-6)
    assert fastest_move_s(0.0, -ratio, 1.0, 1.0) == pytest.approx(both_ways, abs=1e-6)
    assert fastest_move_s(-0.5, -0.5 + ratio, 0.5, 1.0) == pytest.approx(one_way, abs=1e-6)


def test_soft_suspension_is_the_double_integrator() -> None:
    # Exact: 2 sqrt(angle/U) for a double integrator; 50 mrad at 1e4 rad/s^2 take 4.472136 ms. A
    # suspension of 0.1 rad/s changes it by some (w t)^2/20 = 1e-8 of it.
    assert fastest_move_s(0.0, 0.05, 1e6, 0.1) == pytest.approx(4.472136e-3, rel=1e-6)


def least_limit(start: float, target: float, pole: complex, tick_s: float, n: int) -> float:
    """Return the least |command| that brings the mirror to rest at the target in n ticks, by LP.

    Built on the state-space response, not on the mode sums that the shaper solves.
    """
    from scipy.linalg import expm

    w2 = abs(pole) ** 2
    step = expm(np.array([[0.0, 1.0], [-w2, 2.0 * pole.real]]) * tick_s)
    gain = (np.eye(2) - step) @ np.array([1.0, 0.0])
    columns = [np.linalg.matrix_power(step, n - 1 - i) @ gain for i in range(n)]
    free = np.linalg.matrix_power(step, n) @ np.array([start, 0.0])
    scale = np.array([1.0, 1.0 / abs(pole)])
    equal = np.hstack([np.array(columns).T * scale[:, None], np.zeros((2, 1))])
    above = np.hstack([np.eye(n), -np.ones((n, 1))])
    below = np.hstack([-np.eye(n), -np.ones((n, 1))])
    solution = linprog(
        np.eye(1, n + 1, n)[0],
        A_ub=np.vstack([above, below]),
        b_ub=np.zeros(2 * n),
        A_eq=equal,
        b_eq=(np.array([target, 0.0]) - free) * scale,
        bounds=[(None, None)] * n + [(0.0, None)],
    )
    assert solution.status in (0, 2), solution.message
    return solution.fun if solution.status == 0 else math.inf


@pytest.mark.parametrize("quality", [1e6, 8.0, 1.0])
def test_no_command_on_the_grid_is_quicker(quality: float) -> None:
    # Linear programme: N ticks are feasible and N - 1 are not, and the level is the least for N.
    rng = np.random.default_rng(11)
    pole, tick_s = complex_pole(2.0 * math.pi * 700.0, quality), 50e-6
    moves = np.vstack([rng.uniform(-1.0, 1.0, (10, 2)), [(-1, 1), (1, -1), (0.5, 0.52), (1, 0.99)]])
    for start, target in moves:
        path = bang_bang(np.array([start]), np.array([target]), np.ones(1), pole, tick_s)
        n = len(path) - 1
        level = np.abs(path[:n]).max()
        assert least_limit(start, target, pole, tick_s, n) == pytest.approx(level, rel=1e-6)
        assert least_limit(start, target, pole, tick_s, n - 1) > 1.0 + 1e-9
        assert after(path, np.array([start]), abs(pole), quality, tick_s)[0] < 1e-12


def test_undamped_move_keeps_to_the_bound_and_reaches_it_as_ticks_get_finer() -> None:
    # Never below the bound, and at most two ticks above it.
    rng = np.random.default_rng(12)
    start, target = rng.uniform(-1.0, 1.0, (2, 30))
    w = 2.0 * math.pi * 700.0
    bound_s = fastest_move_s(start, target, 1.0, w)
    for tick_s in (50e-6, 5e-6):
        for s, t, least_s in zip(start, target, bound_s, strict=True):
            path = bang_bang(np.array([s]), np.array([t]), np.ones(1), complex_pole(w, 1e9), tick_s)
            taken_s = (len(path) - 1) * tick_s
            assert least_s <= taken_s * (1.0 + 1e-9)
            assert taken_s <= least_s + 2.0 * tick_s


def test_every_other_shaper_is_slower() -> None:
    start_rad, target_rad = np.zeros((1, 2)), np.full((1, 2), 4e-3)
    fastest = len(build("time_optimal").path(start_rad, target_rad))
    assert fastest < len(build("zv").path(start_rad, target_rad))
    assert len(build("zv").path(start_rad, target_rad)) < len(
        build("zvd").path(start_rad, target_rad)
    )


def test_share_of_the_range_is_kept_and_costs_time() -> None:
    start_rad, target_rad = np.zeros((1, 2)), np.full((1, 2), 2e-3)
    whole = build("time_optimal").path(start_rad, target_rad)
    half = build("time_optimal", limit_share=0.4).path(start_rad, target_rad)
    assert np.abs(half).max() <= 0.4 * PLANT.limit_rad
    assert len(half) > len(whole)
    wide = np.full((1, 2), 8e-3)  # outside the share, inside the range: still reached
    assert np.all(build("time_optimal", limit_share=0.4).path(start_rad, wide)[-1] == wide)


def test_bad_arguments() -> None:
    with pytest.raises(ValueError, match="must lie within limit_rad, got 2 rad"):
        fastest_move_s(0.0, 2.0, 1.0, 1.0)
    with pytest.raises(ValueError, match="within the drive's range of 0.009 rad, got 0.01 rad"):
        build("time_optimal").path(np.zeros((1, 2)), np.full((1, 2), 0.01))
    with pytest.raises(ValueError, match="at least 8 drive ticks"):
        build("time_optimal", PLANT._replace(tick_s=0.2e-3))
