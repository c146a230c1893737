"""Controllers as matrices: held against their equations, and refused where there are none."""

from typing import Any, NamedTuple

import numpy as np
import pytest

from controllers import CONTROLLERS
from controllers.analysis import linearise
from controllers.analysis.linear_loop import controller_response
from controllers.analysis.trials import free_step
from controllers.integrator import Integrator
from controllers.pi import Pi
from controllers.pid import Pid
from controllers.sections import section_coefficients
from controllers.smith import Smith
from sim.foundations.ports import Array, PlantBelief, Setpoint, TiltReading

FRAME_S = 1e-3
PLANT = PlantBelief(
    frame_s=FRAME_S, exposure_s=3e-4, latency_s=1e-3, tick_s=5e-5,
    resonance_rad_s=(4400.0, 4800.0), quality=(8.0, 8.0), amplifier_s=4e-5, limit_rad=0.08,
)  # fmt: skip
F = np.array([0.3, 5.0, 60.0, 222.0, 431.0])
Z = np.exp(2j * np.pi * F * FRAME_S)
SETTINGS: dict[str, dict[str, Any]] = {
    "open_loop": {},
    "integrator": {"integral_per_frame": 0.2},
    "pi": {"proportional": 0.1, "integral_per_frame": 0.2},
    "pid": {"proportional": 0.1, "integral_per_frame": 0.2, "derivative_frames": 0.1,
            "derivative_filter_frames": 1.0},
    "smith": {"response_ms": 5.0},
    "lqg": {"drift_urad_per_sqrt_s": 20.0, "noise_urad": 10.0, "control_weight": 1.0},
}  # fmt: skip


def response(controller: Any) -> Array:
    """One axis' own response, after a look at the other: equal if equal, never coupled."""
    both = controller_response(linearise(controller), F, FRAME_S)[:, 0]
    np.testing.assert_allclose(both[:, 0, 1], 0, atol=1e-14)
    np.testing.assert_allclose(both[:, 1, 0], 0, atol=1e-14)
    return both[:, 0, 0]


def sections(params: Any) -> Array:
    """Product of the sections' own transfer functions."""
    total = np.ones_like(Z)
    for p in params.sections:
        b0, b1, b2, a1, a2 = np.asarray(section_coefficients(p, FRAME_S))[0]
        total = total * (b0 + b1 / Z + b2 / Z**2) / (1 + a1 / Z + a2 / Z**2)
    return total


SECTIONED = [
    {},
    {
        "sections": [
            {"kind": "low_pass", "corner_hz": 180.0},
            {"kind": "lead", "zero_hz": 60.0, "pole_hz": 240.0},
            {"kind": "notch", "frequency_hz": [300.0, 300.0], "quality": 2.0, "floor": 0.1},
        ]
    },
]


@pytest.mark.parametrize("extra", SECTIONED)
def test_integrator_pi_and_pid_are_their_equations(extra: dict[str, Any]) -> None:
    # Exact: K / (1 - 1/z), P + K / (1 - 1/z), and with the derivative Kd (1-a)(1 - 1/z)/(1 - a/z),
    # a = Tf/(Tf+1), each times its sections. Tolerance: rounding at the pole near z = 1.
    integral = 1.0 / (1.0 - 1.0 / Z)
    p = Integrator.Params(integral_per_frame=0.2, **extra)
    np.testing.assert_allclose(
        response(Integrator(p, PLANT)), 0.2 * integral * sections(p), rtol=1e-9
    )
    q = Pi.Params(proportional=0.3, integral_per_frame=0.2, **extra)
    np.testing.assert_allclose(
        response(Pi(q, PLANT)), (0.3 + 0.2 * integral) * sections(q), rtol=1e-9
    )
    r = Pid.Params(
        proportional=0.3, integral_per_frame=0.2, derivative_frames=0.4,
        derivative_filter_frames=1.5, **extra,
    )  # fmt: skip
    a = 1.5 / 2.5
    derivative = 0.4 * (1 - a) * (1 - 1 / Z) / (1 - a / Z)
    np.testing.assert_allclose(
        response(Pid(r, PLANT)), (0.3 + 0.2 * integral + derivative) * sections(r), rtol=1e-9
    )


def test_the_internal_model_is_its_equation() -> None:
    # Exact: u = q (e + G u) with q = (1-a)/(1 - a/z), so C = q / (1 - q G), G the sampled mirror.
    controller = Smith(Smith.Params(response_ms=5.0), PLANT)
    a = np.exp(-1.0 / 5.0)
    q = (1 - a) / (1 - a / Z)
    model = controller.model.frequency_response(F, FRAME_S)[:, 0]
    np.testing.assert_allclose(response(controller), q / (1 - q * model), rtol=1e-8)


@pytest.mark.parametrize("kind", CONTROLLERS)
def test_every_shipped_controller_is_linear(kind: str) -> None:
    part = CONTROLLERS[kind]
    params = part.Params(**({"kind": kind} | SETTINGS[kind]))
    matrices = linearise(part(params, PLANT))
    assert np.isfinite(matrices.A).all()
    assert (kind == "open_loop") == (not matrices.B.any() and not matrices.D.any())


class Memory(NamedTuple):
    past: dict[str, Array]
    label: str


class Outside:
    """A controller with a state of another make: u = 0.5 e[k-1] + 0.2 e_y[k] on axis x."""

    def __init__(self, bend: float = 0.0) -> None:
        self.bend = bend

    def initial_state(self, n_mirrors: int) -> Memory:
        return Memory({"error": np.zeros((n_mirrors, 2))}, "x")

    def step(
        self, state: Memory, reading: TiltReading, setpoint: Setpoint
    ) -> tuple[Memory, Array]:
        error = setpoint.reference_rad - reading.tilt_rad
        u = 0.5 * state.past["error"] + self.bend * np.abs(error)
        u[:, 0] += 0.2 * error[:, 1]
        return Memory({"error": error.copy()}, state.label), u


def test_outside_controllers_are_covered_axes_that_mix_included() -> None:
    got = controller_response(linearise(Outside()), F, FRAME_S)[:, 0]
    np.testing.assert_allclose(got[:, 0, 0], 0.5 / Z, atol=1e-12)
    np.testing.assert_allclose(got[:, 0, 1], 0.2, atol=1e-12)
    np.testing.assert_allclose(got[:, 1, 0], 0.0, atol=1e-12)


class DeadBand(Outside):
    """Linear below its band, and nowhere else: readings under 20 urad do nothing."""

    def step(
        self, state: Memory, reading: TiltReading, setpoint: Setpoint
    ) -> tuple[Memory, Array]:
        error = setpoint.reference_rad - reading.tilt_rad
        error = np.sign(error) * np.maximum(np.abs(error) - 20e-6, 0.0)
        return state, state.past["error"] + 0.2 * error


class Scheduled(Outside):
    """Its gain doubles where the mismatch is large."""

    def step(
        self, state: Memory, reading: TiltReading, setpoint: Setpoint
    ) -> tuple[Memory, Array]:
        error = setpoint.reference_rad - reading.tilt_rad
        return state, np.where(np.abs(error) > 100e-6, 0.4, 0.2) * error


class Rounding(Outside):
    """Its correction has steps of 5 urad."""

    def step(
        self, state: Memory, reading: TiltReading, setpoint: Setpoint
    ) -> tuple[Memory, Array]:
        error = setpoint.reference_rad - reading.tilt_rad
        return state, 5e-6 * np.round(0.2 * error / 5e-6)


@pytest.mark.parametrize(
    ("kind", "size"), [(DeadBand, "30.5"), (Scheduled, "244"), (Rounding, "30.5")]
)
def test_what_is_linear_at_one_size_alone_is_refused(kind: Any, size: str) -> None:
    """Readings of 1 urad show none of the three; the message says at which size it was seen."""
    with pytest.raises(ValueError, match=f"random readings of {size} urad"):
        linearise(kind())


def test_corrections_that_are_no_numbers_or_of_another_shape_are_refused() -> None:
    class Bad(Integrator):
        def __init__(self, given: Any) -> None:
            super().__init__(Integrator.Params(integral_per_frame=0.2), PLANT)
            self.given = given

        def step(self, state: Any, reading: TiltReading, setpoint: Setpoint) -> tuple[Any, Any]:
            return state, self.given

    error = np.full((2, 2), 3e-5)
    for given, match in (
        (np.full((2, 2), np.nan), "mismatch of 3e-05 rad is not finite .got nan"),
        (np.zeros((2, 3)), r"must be \(M, 2\), here \(2, 2\); got \(2, 3\)"),
    ):
        bad = Bad(given)
        with pytest.raises(ValueError, match=match):
            free_step(bad, bad.initial_state(2), error)


def test_a_controller_that_is_not_linear_is_refused() -> None:
    with pytest.raises(ValueError, match="controller must be linear and time-invariant"):
        linearise(Outside(bend=0.3))
