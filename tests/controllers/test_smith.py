"""The internal model takes the delay out of the loop."""

import math

import numpy as np
import pytest
from mirrorloop.testing.controllers import PLANT, aim, seen

from controllers.sampled_model import sampled_model
from controllers.smith import Smith
from tests.controllers.loops import on_model


def model_of(plant, latency_s=None):  # type: ignore[no-untyped-def]
    return sampled_model(
        plant.resonance_rad_s,
        plant.quality,
        plant.amplifier_s,
        plant.frame_s,
        plant.exposure_s,
        plant.latency_s if latency_s is None else latency_s,
    )


@pytest.mark.parametrize("latency_s", [0.7e-3, 1.0e-3, 2.35e-3])
@pytest.mark.parametrize("response_ms", [0.3, 3.0])
def test_sensitivity_is_one_minus_plant_times_filter(latency_s: float, response_ms: float) -> None:
    # Exact for the mirror as believed: S = 1 - G F, F = (1-a)/(1 - a/z), stable at any speed.
    plant = PLANT._replace(latency_s=latency_s)
    controller = Smith(Smith.Params(response_ms=response_ms), plant)
    n = 512
    pulse = np.zeros((n, 1, 2))
    pulse[0] = 1.0
    mismatch, _ = on_model(controller, model_of(plant), pulse, np.zeros_like(pulse))
    f_hz = np.fft.rfftfreq(n, plant.frame_s)
    a = math.exp(-1.0 / response_ms)
    z = np.exp(2j * np.pi * f_hz * plant.frame_s)
    expected = (
        1.0
        - model_of(plant).frequency_response(f_hz, plant.frame_s)
        * ((1.0 - a) / (1.0 - a / z))[:, None]
    )
    np.testing.assert_allclose(np.fft.rfft(mismatch[:, 0], axis=0), expected, atol=1e-9)


def test_model_is_fed_with_what_the_limits_let_through() -> None:
    # Exact: 1 mrad of disturbance against a limit of 0.2 mrad, then none. As the model knows the
    # correction that was really sent, it sees the change at once: u = -limit (1 - share).
    controller, model, limit_rad = (
        Smith(Smith.Params(response_ms=3.0), PLANT),
        model_of(PLANT),
        2e-4,
    )
    state, x = controller.initial_state(1), np.zeros((1, 2, 4, 1))
    for disturbance_rad in [1e-3] * 100 + [0.0]:
        tilt_rad = (model.C @ x)[..., 0, 0] + disturbance_rad
        state, u = controller.step(state, seen(tilt_rad), aim(1, limit_rad))
        x = model.A @ x + model.B * u[..., None, None]
    np.testing.assert_allclose(u, -limit_rad * (1.0 - controller.share), rtol=1e-9)


def test_no_mismatch_at_rest_with_a_wrong_gain() -> None:
    controller = Smith(Smith.Params(response_ms=4.0), PLANT)
    step = np.full((400, 1, 2), 1e-4)
    for gain in (0.8, 1.2):
        mismatch, sent = on_model(controller, model_of(PLANT), step, np.zeros_like(step), gain)
        np.testing.assert_allclose(mismatch[-1], 0.0, atol=1e-12)
        np.testing.assert_allclose(sent[-1], -1e-4 / gain, rtol=1e-8)
