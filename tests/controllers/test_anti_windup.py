"""Integrals stop at the drive's limits and come back at once."""

from typing import Any

import numpy as np
import pytest
from mirrorloop.testing.controllers import PLANT, aim, run

from controllers import CONTROLLERS
from sim.foundations.ports import Setpoint

KINDS: dict[str, dict[str, Any]] = {
    "integrator": {"integral_per_frame": 0.2},
    "pi": {"proportional": 0.2, "integral_per_frame": 0.2},
    "pid": {
        "proportional": 0.2,
        "integral_per_frame": 0.2,
        "derivative_frames": 0.0,
        "derivative_filter_frames": 0.0,
    },
    "smith": {"response_ms": 4.0},
    "lqg": {"drift_urad_per_sqrt_s": 100.0, "noise_urad": 4.0, "control_weight": 0.3},
}


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_leaves_the_limit_without_delay_after_a_long_push(kind: str) -> None:
    # 200 frames of 1 mrad against a limit of 0.2 mrad, then the same error the other way round. A
    # wound-up integral (40 mrad for a gain of 0.2) would stay at the limit for 200 frames. None of
    # these does so for more than one: the estimators need a frame to change their mind.
    controller = CONTROLLERS[kind](CONTROLLERS[kind].Params(**KINDS[kind]), PLANT)
    limit_rad = 2e-4
    push_rad = np.full((200, 1, 2), 1e-3)
    state, pushed_rad = run(controller, push_rad, aim(1, limit_rad))
    assert np.all(pushed_rad[-1] == -limit_rad)
    _, back_rad = run(controller, -push_rad[:2], aim(1, limit_rad), state)
    assert np.all(back_rad[-1] > -limit_rad)


@pytest.mark.parametrize("kind", ["pi", "pid"])
def test_integral_follows_limits_that_close_in(kind: str) -> None:
    # Derived: the integral is clamped to the new limit, so the next opposite error e moves the
    # correction to limit - (P + K) e at once.
    controller = CONTROLLERS[kind](CONTROLLERS[kind].Params(**KINDS[kind]), PLANT)
    state = controller.hand_over(np.full((1, 2), 5e-4))
    state, _ = run(controller, np.zeros((1, 1, 2)), aim(1, 1e-4), state)
    _, back_rad = run(controller, np.full((1, 1, 2), 1e-5), aim(1, 1e-4), state)
    np.testing.assert_allclose(back_rad, 1e-4 - 0.4e-5, rtol=1e-12)


@pytest.mark.parametrize("kind", ["pi", "pid"])
def test_integral_stays_while_the_proportional_part_fills_the_range(kind: str) -> None:
    # Derived: 1 mrad asks for 0.2 mrad + 0.2 mrad against a limit of 0.1 mrad, so the integral
    # keeps still, though it had room itself; the next error e is answered by (P + K) e alone.
    controller = CONTROLLERS[kind](CONTROLLERS[kind].Params(**KINDS[kind]), PLANT)
    state, full_rad = run(controller, np.full((5, 1, 2), -1e-3), aim(1, 1e-4))
    assert np.all(full_rad == 1e-4)
    _, next_rad = run(controller, np.full((1, 1, 2), -1e-5), aim(1, 1e-4), state)
    np.testing.assert_allclose(next_rad, 0.4e-5, rtol=1e-12)


@pytest.mark.parametrize("kind", ["pi", "pid"])
def test_only_the_pressing_axis_stops(kind: str) -> None:
    # x presses against its limit, y has room: y must behave as if x were free.
    controller = CONTROLLERS[kind](CONTROLLERS[kind].Params(**KINDS[kind]), PLANT)
    push_rad = np.full((10, 1, 2), 1e-4)
    zeros, low = np.zeros((1, 2)), np.array([[-1e-5, -1e-2]])
    _, one_rad = run(controller, push_rad, Setpoint(zeros, low, -low))
    _, free_rad = run(controller, push_rad, aim(1))
    np.testing.assert_array_equal(one_rad[:, 0, 1], free_rad[:, 0, 1])
    assert np.all(one_rad[:, 0, 0] == -1e-5)


def test_derivative_is_of_mismatches_beyond_the_range_too() -> None:
    # By hand: 0.1 frames times a fall of the mismatch from 0.5 to 0.3 mrad is -0.02 mrad, well
    # within the limit of 0.1 mrad, which concerns the correction and not the mismatch.
    settings = {"proportional": 0.0, "integral_per_frame": 1e-9, "derivative_frames": 0.1,
                "derivative_filter_frames": 0.0}  # fmt: skip
    pid = CONTROLLERS["pid"](CONTROLLERS["pid"].Params(**settings), PLANT)
    tilt_rad = -np.array([5e-4, 5e-4, 3e-4])[:, None, None] * np.ones((1, 2))
    _, correction_rad = run(pid, tilt_rad, aim(1, 1e-4))
    np.testing.assert_allclose(correction_rad[-1], -2e-5, rtol=1e-6)


def test_derivative_ignores_the_gap_of_a_lost_spot() -> None:
    # Same mismatch before the gap, another after it: no derivative in the first frame back.
    from sim.foundations.ports import SpotStatus, TiltReading

    settings = KINDS["pid"] | {"derivative_frames": 5.0}
    pid = CONTROLLERS["pid"](CONTROLLERS["pid"].Params(**settings), PLANT)
    pi = CONTROLLERS["pi"](CONTROLLERS["pi"].Params(**KINDS["pi"]), PLANT)
    answers_rad = []
    for controller in (pid, pi):
        state, _ = run(controller, np.full((30, 1, 2), 1e-5), aim(1))
        lost = TiltReading(np.full((1, 2), np.nan), np.full(1, SpotStatus.EDGE, dtype=np.uint8))
        state, _ = controller.step(state, lost, aim(1))
        answers_rad.append(run(controller, np.full((1, 1, 2), 3e-5), aim(1), state)[1])
    np.testing.assert_allclose(answers_rad[0], answers_rad[1], rtol=1e-12)
