"""Integrals that leak: the share left of a constant disturbance, against a loop that is run."""

import numpy as np
import pytest

from sim.assembly.build import build
from sim.foundations.ports.linear_law import hand_over, law_step
from sim.scenario.gallery import find
from sim.scenario.model import load_scenario
from tests.firmware.test_rounding_noise import CASES, made

PI = {"proportional": 0.1, "integral_per_frame": 0.1}


def left_in_a_loop(law, frames=4000):
    """What is left of a disturbance of 1 about a mirror that follows within a frame."""
    shape = (max(part.shape[0] for part in law.seen), 2)
    state = hand_over(law, np.zeros(shape))
    far, seen = np.full(shape, 1e6), np.ones(shape, bool)
    for _ in range(frames):
        error = -(state.correction_rad + 1.0)
        state = law_step(law, state, error, seen, -far, far)
    return np.abs(state.correction_rad + 1.0).max()


@pytest.mark.parametrize("kind", ["smith", "lqg"])
def test_what_is_left_is_that_of_a_loop_that_has_settled(kind):
    fixed = made(kind, CASES[kind][0], coefficient_bits=12)
    found = fixed.left_by_leak()
    assert found > 1e-4
    assert left_in_a_loop(fixed.rounded_law()) == pytest.approx(found, rel=1e-6)
    assert left_in_a_loop(fixed.exact) < 1e-9


def test_an_integral_of_one_coefficient_is_kept():
    assert made("pi", PI, coefficient_bits=10).left_by_leak() == 0.0


@pytest.mark.parametrize("kind", ["smith", "lqg"])
def test_bits_of_coefficients_are_spent_on_coefficients(kind):
    # Each bit halves what is left, up to luck of rounding: 8 bits more leave less than a tenth.
    left = [
        made(kind, CASES[kind][0], coefficient_bits=bits).left_by_leak() for bits in (12, 20)
    ]
    assert left[1] < 0.1 * left[0]


def test_a_run_says_that_its_integral_leaks():
    law = 'controller={kind="smith",response_ms=3,arithmetic={kind="fixed",coefficient_bits=12}}'
    said = build(load_scenario(find("single_mirror_step"), [law])).warnings
    assert any("leaks" in each and "of a constant disturbance" in each for each in said)
    plain = build(load_scenario(find("single_mirror_step"))).warnings
    assert not any("leaks" in each for each in plain)
