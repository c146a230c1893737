"""A stated law is the controller: matrices, steps, compiled and plain kernels say the same."""

from typing import Any, NamedTuple

import numba
import numpy as np
import pytest
from mirrorloop.testing.controllers import PLANT, readings

from controllers import CONTROLLERS
from controllers.analysis.linear_loop import controller_response
from controllers.analysis.linearise import LinearController, linearise, of_law
from controllers.analysis.trials import by_trial
from controllers.pi import Pi
from sim.foundations.ports import Array
from sim.foundations.ports.linear_law import (
    LawMatrices,
    LinearLaw,
    faults,
    hand_over,
    law_step,
    states_law,
)
from sim.kernels.compiled.control import control_block, law_of_block
from sim.kernels.law import law_of, memory_of, state_of
from sim.kernels.plain.control import control
from tests.controllers.test_controller_contract import CASES, build

ALL = [
    pytest.param(kind, settings, id=f"{kind}-{i}")
    for kind in CONTROLLERS
    for i, settings in enumerate(CASES[kind])
]


@pytest.mark.parametrize(("kind", "settings"), ALL)
def test_every_shipped_controller_states_its_law(kind: str, settings: Any) -> None:
    """The law's matrices against trial steps, as response: the states may be chosen otherwise."""
    controller = build(kind, settings)
    assert states_law(controller)
    assert faults(controller.linear_law(), 5) == ()
    f_hz = np.array([0.3, 11.0, 83.0, 240.0, 437.0])
    law, steps = of_law(controller.linear_law()), by_trial(controller, 1)
    law = linearise(controller)  # an unmoved state at 1 would make the resolvent singular at rest
    one, other = (controller_response(each, f_hz, PLANT.frame_s) for each in (law, steps))
    # The differences of trial steps of 1 urad on sums of 1e-3 rad are good to some 1e-10.
    np.testing.assert_allclose(one, other, rtol=1e-7, atol=1e-9)


class Path(NamedTuple):
    reference_rad: Array
    lowest_rad: Array
    highest_rad: Array
    origin_px: Array


@numba.njit
def stepped(m, tilt, spot, scale, path, law, memory):
    """Call the steps as a kernel does; they have no form that Python could call."""
    control_block(0, m, tilt, spot, scale, path, 0, law_of_block(0, m, law), memory)


@pytest.mark.parametrize(("kind", "settings"), ALL)
@pytest.mark.parametrize("m", [16, 5])
def test_compiled_law_gives_the_bits_of_the_plain_one(kind: str, settings: Any, m: int) -> None:
    """Sixty frames that press against the limits, with spots lost, from a hand-over."""
    controller, rng = build(kind, settings), np.random.default_rng(3)
    scale, n_frames = 5e3, 60
    law = law_of(controller, m)
    standing = rng.normal(0.0, 1e-4, (m, 2))
    fast, plain = (memory_of(controller.hand_over(standing)) for _ in range(2))
    tilts = np.zeros((2, 2, m))
    state = controller.hand_over(standing)
    touched = 0
    for _ in range(n_frames):
        path = Path(
            rng.normal(0.0, 1e-4, (2, m)), -rng.uniform(5e-5, 3e-4, (2, m)),
            rng.uniform(5e-5, 3e-4, (2, m)), rng.uniform(-3, 3, (2, m)),
        )  # fmt: skip
        spot = rng.normal(0.0, 0.5, (2, m))
        spot[:, rng.random(m) < 0.25] = np.nan
        stacked = Path(*(part[None] for part in path))
        stepped(m, tilts[0], spot, scale, stacked, law, fast)
        control(tilts[1], spot, scale, path, controller.linear_law(), plain)
        np.testing.assert_array_equal(tilts[0], tilts[1])
        for one, other in zip(fast, plain, strict=True):
            np.testing.assert_array_equal(one, other)
        # The third way: the controller's own step.
        error = (path.reference_rad - tilts[1]).T
        seen = np.isfinite(error)
        state = law_step(
            controller.linear_law(), state, np.where(seen, error, 0.0), seen, path.lowest_rad.T,
            path.highest_rad.T,
        )  # fmt: skip
        np.testing.assert_array_equal(state.correction_rad, fast.correction_rad.T)
        at_limit = (state.correction_rad == path.lowest_rad.T) | (
            state.correction_rad == path.highest_rad.T
        )
        touched += int(at_limit.sum())
    assert 0 < touched < n_frames * 2 * m
    for one, other in zip(state_of(fast), state, strict=True):
        np.testing.assert_array_equal(one, other)


def test_gains_by_mirror_are_each_mirrors_own() -> None:
    # Mirror i under a law with gain K_i moves as alone under a shared law with that gain.
    gains = np.array([0.1, 0.2, 0.4])
    law = LinearLaw.of(
        LawMatrices.of(0, D=np.stack([gains, 2 * gains], axis=1), H=1.0), LawMatrices.of(0, H=1.0)
    )
    assert faults(law, 3) == ()
    assert "must be (1 or 4, 2" in faults(law, 4)[0]
    wide, seen = np.full((3, 2), 1.0), np.ones((3, 2), bool)
    state = hand_over(law, np.zeros((3, 2)))
    total = np.zeros((3, 2))
    for error in readings(20, 3):
        state = law_step(law, state, error, seen, -wide, wide)
        total += error * law.seen.D
    np.testing.assert_allclose(state.correction_rad, total, rtol=1e-12)
    assert of_law(law).A.shape == (3, 2, 2)


def test_an_outside_controller_that_differs_by_mirror_is_analysed_mirror_by_mirror() -> None:
    class Own:
        """u[k] = u[k-1] + K_m e[k], no law stated."""

        def initial_state(self, n_mirrors: int) -> Array:
            return np.zeros((n_mirrors, 2))

        def step(self, state: Array, reading: Any, setpoint: Any) -> tuple[Array, Array]:
            gains = np.linspace(0.1, 0.4, len(state))[:, None]
            state = state + gains * (setpoint.reference_rad - reading.tilt_rad)
            return state, state

    linear = linearise(Own(), 4)
    assert isinstance(linear, LinearController)
    np.testing.assert_allclose(linear.D[:, 0, 0], [0.1, 0.2, 0.3, 0.4], rtol=1e-12)
    assert len(linearise(build("pi", CASES["pi"][0]), 4).A) == 1


def test_a_law_that_the_steps_do_not_follow_is_refused() -> None:
    class Otherwise(Pi):
        def linear_law(self) -> LinearLaw:
            law = super().linear_law()
            return law._replace(seen=law.seen._replace(D=1.01 * law.seen.D))

    pi = Otherwise(Pi.Params(proportional=0.3, integral_per_frame=0.2), PLANT)
    assert states_law(pi)
    with pytest.raises(ValueError, match="its correction differs by"):
        linearise(pi)


def test_an_heir_that_steps_otherwise_states_no_law() -> None:
    class Heir(Pi):
        def step(self, state, reading, setpoint):  # type: ignore[no-untyped-def]
            return super().step(state, reading, setpoint)

    assert not states_law(Heir(Pi.Params(proportional=0.3, integral_per_frame=0.2), PLANT))
    assert not states_law(object())
