"""How far states of a law can go: bounds that are reached, and never passed in any order."""

import numpy as np
import pytest

from sim.foundations.ports.linear_law import LawState, law_step
from tests.firmware.test_rounding_noise import CASES, made


def test_states_of_an_internal_model_have_a_bound_that_the_worst_corrections_reach():
    fixed = made("smith", CASES["smith"][0])
    law, ranges = fixed.exact, fixed.ranges
    a, g = law.seen.A[0, 0], law.seen.G[0, 0]
    np.testing.assert_array_equal(law.seen.A, law.lost.A)
    # The worst sequence of corrections for each state, by its impulse response run backwards.
    frames, power = 600, np.eye(len(a))
    pulses = []
    for _ in range(frames):
        pulses.append(power @ g)
        power = power @ a
    pulses = np.array(pulses)
    for i, bound in enumerate(ranges.states):
        x = np.zeros(len(a))
        for sign in np.sign(pulses[::-1, i]):
            x = a @ x + g * sign * ranges.correction
        assert x[i] <= bound * (1 + 1e-9)
        assert x[i] == pytest.approx(bound, rel=1e-3)


def test_no_order_of_seen_and_lost_frames_goes_beyond():
    fixed = made("smith", CASES["smith"][0])
    law, ranges = fixed.exact, fixed.ranges
    rng = np.random.default_rng(5)
    mirrors = 200
    shape = (mirrors, 2)
    state = LawState(np.zeros((*shape, len(ranges.states))), np.zeros(shape),
                     np.zeros((*shape, 0, 2)))  # fmt: skip
    edge = np.full(shape, ranges.correction)
    most = np.zeros(len(ranges.states))
    for _ in range(400):
        # Limits that force the correction to either end, at random.
        forced = rng.choice([-1.0, 1.0], shape) * edge
        seen = np.broadcast_to(rng.random((mirrors, 1)) < 0.5, shape)
        error = np.where(seen, rng.uniform(-1, 1, shape) * 2 * ranges.position, 0.0)
        state = law_step(law, state, error, seen, forced, forced)
        most = np.maximum(most, np.abs(state.states).max(axis=(0, 1)))
    assert (most <= np.array(ranges.states) * (1 + 1e-9)).all()
    assert (most > 0.2 * np.array(ranges.states)).all()
