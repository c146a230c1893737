"""The expected path: the believed mirror's answer, exposure samples, and commands in a row."""

import control
import numpy as np
import pytest

from sim.foundations.ports import Array, Clock, PlantBelief
from sim.loop.reference import Command, Reference, exposure_samples

TICK_S, N = 5e-5, 20
CLOCK = Clock(TICK_S, N, 100)
BELIEF = PlantBelief(1e-3, 3e-4, 1e-3, TICK_S, (2 * np.pi * 700, 2 * np.pi * 760), (8.0, 6.0),
                     4e-5, 0.075)  # fmt: skip


class Ramp:
    """Straight to the target in 30 ticks, a frame and a half."""

    def path(self, start_rad: Array, target_rad: Array) -> Array:
        share = (np.arange(30) + 1)[:, None, None] / 30
        return start_rad + share * (target_rad - start_rad)


def made(commands: list[tuple[int, Array]], cubic: tuple[float, float] = (0.0, 0.0)) -> Reference:
    weights = exposure_samples(CLOCK, 3e-4, 2).mean(axis=0)
    return Reference(
        tuple(Command(*c) for c in commands), Ramp(), BELIEF, CLOCK, cubic, weights
    )


def played(reference: Reference, n_frames: int) -> list[tuple[Array, Array]]:
    """What each frame asks for, and what is expected in it."""
    state, frames = reference.initial_state(), []
    for k in range(n_frames):
        state, asked, expected = reference.frame(state, k)
        frames.append((asked, expected))
    return frames


def in_ticks(asked: Array) -> Array:
    """The same for every tick, where it holds for all."""
    return np.broadcast_to(asked, (N, *asked.shape[1:]))


START = np.array([[0.01, -0.02], [0.0, 0.005]])
TARGET = np.array([[0.03, 0.01], [-0.01, 0.005]])


def test_nothing_moves_without_a_command() -> None:
    for asked, expected in played(made([(0, START)]), 3):
        assert in_ticks(asked) == pytest.approx(np.broadcast_to(START.T, (N, 2, 2)), abs=1e-15)
        assert expected == pytest.approx(START, abs=1e-14)


def test_expected_tilt_is_the_believed_response_to_the_path() -> None:
    """python-control's zero-order-hold model of mirror and amplifier, averaged over the exposure.

    Both are exact at ticks; 1e-13 is rounding.
    """
    frames = played(made([(0, START), (2, TARGET)]), 12)
    asked = np.concatenate([in_ticks(a) for a, _ in frames])
    ramp = Ramp().path(START, TARGET).transpose(0, 2, 1)
    whole = np.concatenate([np.broadcast_to(START.T, (2 * N, 2, 2)), ramp])
    whole = np.concatenate([whole, np.broadcast_to(TARGET.T, (12 * N - len(whole), 2, 2))])
    assert asked == pytest.approx(whole, abs=1e-14)
    time_s = TICK_S * np.arange(12 * N + 1)
    weights = exposure_samples(CLOCK, 3e-4, 2).mean(axis=0)
    for axis, (w, q) in enumerate(zip(BELIEF.resonance_rad_s, BELIEF.quality, strict=True)):
        plant = control.tf([w**2], [1, w / q, w**2]) * control.tf([1], [BELIEF.amplifier_s, 1])
        model = control.ss(plant).sample(TICK_S, method="zoh")
        for m in range(2):
            u = np.append(whole[:, axis, m] - START[m, axis], 0.0)
            tilt = START[m, axis] + control.forced_response(model, time_s, u).outputs
            for k, (_, expected) in enumerate(frames):
                mean = weights @ tilt[k * N : (k + 1) * N + 1]
                assert expected[m, axis] == pytest.approx(mean, abs=1e-12)


def test_cubic_spring_is_allowed_for() -> None:
    """A static tilt t takes (1 + k3 t^2) t of the linear mirror's drive."""
    asked, expected = played(made([(0, START)], (4.0, 9.0)), 1)[0]
    bent = START * (1 + np.array([4.0, 9.0]) * START**2)
    assert in_ticks(asked)[3] == pytest.approx(bent.T, rel=1e-14)
    assert expected == pytest.approx(START, rel=1e-13)


def test_command_during_a_move_starts_from_where_the_path_is() -> None:
    _, (first, _), (second, _) = played(made([(0, START), (1, TARGET), (2, START)]), 3)
    after_first = START + 21 / 30 * (TARGET - START)
    assert first[-1].T == pytest.approx(START + 20 / 30 * (TARGET - START), rel=1e-12)
    expected = Ramp().path(after_first, START).transpose(0, 2, 1)[:N]
    assert second == pytest.approx(expected, rel=1e-12)


def test_path_comes_to_rest_on_the_target() -> None:
    asked, expected = played(made([(0, START), (1, TARGET)]), 200)[-1]
    assert expected == pytest.approx(TARGET, abs=1e-15)  # the ramp ends to rounding
    assert np.array_equal(asked, expected.T[None])


def test_frames_before_the_next_move_may_be_left_out() -> None:
    reference = made([(0, START), (2, TARGET), (150, START)])
    every = played(reference, 300)
    state, k, asked_for = reference.initial_state(), 0, []
    while k < 300:
        asked_for.append(k)
        after = min(max(reference.next_move(state, k), k + 1), 300)
        state, asked, expected = reference.frame(state, k)
        for others in every[k:after]:
            assert np.array_equal(asked, others[0])
            assert np.array_equal(expected, others[1])
        k = after
    assert {0, 2, 150} <= set(asked_for)
    assert len(asked_for) < 200


@pytest.mark.parametrize(
    ("exposure_s", "samples", "degree"),
    [(3e-4, 2, 3), (1e-3, 4, 3), (1.7e-4, 8, 3), (2e-5, 1, 1)],
)
def test_samples_average_polynomials_exactly(exposure_s: float, samples: int, degree: int) -> None:
    """The mean of t^k over [0, 1] is 1 / (k + 1): to the third degree for two points."""
    weights = exposure_samples(CLOCK, exposure_s, samples)
    assert weights.shape == (samples, N + 1)
    assert weights.sum(axis=1) == pytest.approx(1.0)
    assert (weights >= 0).all()
    at = weights @ (TICK_S * np.arange(N + 1)) / exposure_s
    for k in range(1, degree + 1):
        assert (at**k).mean() == pytest.approx(1 / (k + 1), rel=1e-12)
    assert (at ** (degree + 1)).mean() != pytest.approx(1 / (degree + 2), rel=1e-5)


def test_axes_whose_aim_stays_keep_their_path_through_the_next_command() -> None:
    """A move in two stages, the second while the first is under way: each axis as if alone."""
    first = np.where([[True, False], [False, False]], TARGET, START)
    together = made([(0, START), (2, first), (3, TARGET)])
    asked = [in_ticks(a) for a, _ in played(together, 12)]
    alone = [in_ticks(a) for a, _ in played(made([(0, START), (2, TARGET)]), 12)]
    late = [in_ticks(a) for a, _ in played(made([(0, START), (3, TARGET)]), 12)]
    for k in range(12):
        np.testing.assert_array_equal(asked[k][:, 0, 0], alone[k][:, 0, 0])
        np.testing.assert_array_equal(asked[k][:, 1, :], late[k][:, 1, :])
        np.testing.assert_array_equal(asked[k][:, 0, 1], late[k][:, 0, 1])
    assert together.command_frames == (2, 3)
