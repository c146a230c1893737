"""Every shipped controller keeps the contract, and the contract catches those that do not."""

from typing import Any

import numpy as np
import pytest
from mirrorloop.testing.controllers import (
    PLANT,
    aim,
    check_controller,
    check_hand_over,
    check_inputs_unchanged,
    check_limits,
    check_lost_spot_is_held,
    check_mirrors_do_not_talk,
    check_shape,
    checks_for,
    readings,
    seen,
)

from controllers import CONTROLLERS, SHAPERS
from controllers.integrator import Integrator
from sim.foundations.ports import Setpoint, SpotStatus, TiltReading

NOTCH = {"kind": "notch", "frequency_hz": (700.0, 760.0), "quality": 3.0, "fold": True}
LEAD = {"kind": "lead", "zero_hz": 60.0, "pole_hz": 200.0}
LOW_PASS = {"kind": "low_pass", "corner_hz": 300.0, "order": 2}
LINE = {"frequency_hz": 120.0, "bandwidth_hz": 2.0, "rms_urad": 20.0}
PID = {
    "proportional": 0.1,
    "integral_per_frame": 0.2,
    "derivative_frames": 0.1,
    "derivative_filter_frames": 1.0,
}
LQG = {"drift_urad_per_sqrt_s": 100.0, "noise_urad": 4.0, "control_weight": 0.3}
CASES: dict[str, list[dict[str, Any]]] = {
    "open_loop": [{}],
    "integrator": [
        {"integral_per_frame": 0.3},
        {"integral_per_frame": 0.2, "sections": [NOTCH, LEAD, LOW_PASS]},
    ],
    "pi": [
        {"proportional": 0.1, "integral_per_frame": 0.2},
        {"proportional": 0.1, "integral_per_frame": 0.2, "sections": [LOW_PASS]},
    ],
    "pid": [PID, PID | {"sections": [NOTCH]}],
    "smith": [{"response_ms": 3.0}],
    "lqg": [LQG, LQG | {"lines": [LINE]}],
}
COASTS = {"lqg"}


def build(kind: str, settings: dict[str, Any]) -> Any:
    cls = CONTROLLERS[kind]
    return cls(cls.Params(kind=kind, **settings), PLANT)


@pytest.mark.parametrize(
    ("kind", "settings", "check"),
    [
        pytest.param(kind, settings, check, id=f"{kind}-{i}-{check.__name__}")
        for kind in CONTROLLERS
        for i, settings in enumerate(CASES[kind])
        for check in checks_for(coasts=kind in COASTS)
    ],
)
def test_shipped_controller_keeps_the_contract(kind: str, settings: Any, check: Any) -> None:
    check(build(kind, settings))


@pytest.mark.parametrize("family", [CONTROLLERS, SHAPERS])
def test_a_kind_is_named_as_it_is_registered(family: Any) -> None:
    for name, cls in family.items():
        assert cls.Params.model_fields["kind"].default == name
        meanings = cls.Params.meanings()
        for field in cls.Params.model_fields:
            assert meanings.get(field, "").endswith("]"), f"{name}.{field} states no unit"


class Averaging(Integrator):
    """Breaks a rule: one mirror's answer depends on the others'."""

    def step(self, state, reading, setpoint):  # type: ignore[no-untyped-def]
        state, u = super().step(state, reading, setpoint)
        return state, u - 1e-3 * u.mean(axis=0)


class Forgetful(Integrator):
    """Breaks a rule: a lost mirror goes back to zero."""

    def step(self, state, reading, setpoint):  # type: ignore[no-untyped-def]
        state, u = super().step(state, reading, setpoint)
        return state, np.where((reading.status == SpotStatus.OK)[:, None], u, 0.0)


class Poisoned(Integrator):
    """Breaks a rule: a lost mirror's NaN gets into the sum."""

    def step(self, state, reading, setpoint):  # type: ignore[no-untyped-def]
        u = state.correction_rad - 0.2 * reading.tilt_rad
        return state._replace(correction_rad=u), u


class Boundless(Integrator):
    """Breaks a rule: does not look at the limits."""

    def step(self, state, reading, setpoint):  # type: ignore[no-untyped-def]
        wide = Setpoint(setpoint.reference_rad, setpoint.lowest_rad * 9, setpoint.highest_rad * 9)
        return super().step(state, reading, wide)


class InPlace(Integrator):
    """Breaks a rule: adds to the state it was given."""

    def step(self, state, reading, setpoint):  # type: ignore[no-untyped-def]
        new, u = super().step(state, reading, setpoint)
        state.correction_rad[:] = u
        return new, u


class Counting(Integrator):
    """Breaks a rule: remembers on itself."""

    calls = 0

    def step(self, state, reading, setpoint):  # type: ignore[no-untyped-def]
        self.calls += 1
        new, u = super().step(state, reading, setpoint)
        return new, u + 1e-9 * self.calls


class Bumpy(Integrator):
    """Breaks a rule: takes over half of what stands."""

    def hand_over(self, correction_rad):  # type: ignore[no-untyped-def]
        return super().hand_over(0.5 * correction_rad)


class OneAxis(Integrator):
    """Breaks a rule: answers for x alone."""

    def step(self, state, reading, setpoint):  # type: ignore[no-untyped-def]
        state, u = super().step(state, reading, setpoint)
        return state, u[:, :1]


@pytest.mark.parametrize(
    ("cls", "check"),
    [
        (Averaging, check_mirrors_do_not_talk),
        (Forgetful, check_lost_spot_is_held),
        (Poisoned, check_lost_spot_is_held),
        (Boundless, check_limits),
        (InPlace, check_inputs_unchanged),
        (Counting, check_inputs_unchanged),
        (Bumpy, check_hand_over),
        (OneAxis, check_shape),
    ],
)
def test_contract_catches_a_broken_controller(cls: Any, check: Any) -> None:
    broken = cls(Integrator.Params(integral_per_frame=0.3), PLANT)
    with pytest.raises(AssertionError):
        check(broken)
    with pytest.raises(AssertionError):
        check_controller(broken)


@pytest.mark.parametrize("kind", sorted(CONTROLLERS))
def test_not_finite_in_spite_of_ok_counts_as_lost(kind: str) -> None:
    controller = build(kind, CASES[kind][-1])
    state, _ = controller.step(controller.initial_state(2), seen(readings(1, 2)[0]), aim(2))
    bad = TiltReading(np.array([[np.nan, np.inf], [0.0, 0.0]]), np.zeros(2, dtype=np.uint8))
    for _ in range(3):
        state, correction_rad = controller.step(state, bad, aim(2))
        assert np.isfinite(correction_rad).all()


@pytest.mark.parametrize("kind", ["integrator", "pi", "pid", "smith", "lqg"])
def test_feedback_acts_against_the_error(kind: str) -> None:
    # A mirror that reads too high is to be driven lower, and the answer grows if nothing changes.
    controller = build(kind, CASES[kind][0])
    state = controller.initial_state(1)
    answers_rad = []
    for _ in range(3):
        state, u = controller.step(state, seen(np.full((1, 2), 1e-4)), aim(1))
        answers_rad.append(u[0])
    assert np.all(np.array(answers_rad) < 0.0)
    assert np.all(answers_rad[1] < answers_rad[0])
