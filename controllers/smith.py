"""Delay compensation by an internal model of drive, mirror, exposure and delay."""

import math
from typing import Literal, NamedTuple

import numpy as np

from controllers.anti_windup import within
from controllers.mismatch import mismatch
from controllers.sampled_model import sampled_model
from sim.params import Block, Positive
from sim.ports import Array, Knob, PlantBelief, Setpoint, TiltReading


class SmithParams(Block):
    """One number to tune: how fast a disturbance is answered."""

    kind: Literal["smith"] = "smith"
    """Name of this controller. [-]"""
    response_ms: Positive
    """Time constant with which an observed disturbance is taken over into the correction. [ms]"""


class SmithState(NamedTuple):
    """What the controller remembers."""

    model: Array
    """(M, 2, n) state of the internal model, see controllers.sampled_model. [rad, rad/s]"""
    correction_rad: Array
    """(M, 2) the last correction. [rad]"""


class Smith:
    """What the model does not explain is the disturbance; its low-passed opposite is the answer.

    The internal model says what the corrections sent so far do to this reading, delay, exposure
    and ringing included. The rest of the reading, d[k], is disturbance:
    u[k] = u[k-1] + (1 - a) (-d[k] - u[k-1]), a = exp(-frame / response).
    With the mirror as believed the loop is stable for every response time, and the delay costs no
    margin; the mirror's own ringing is left as it is. A wrong gain or resonance needs a slower
    response. This is the internal-model form; a Smith predictor around the integrator
    u[k] = u[k-1] + (1 - a) / a e[k] is the same controller written another way if the mirror is
    pure delay (with delay z^-d both have the sensitivity 1 - z^-d (1 - a) / (1 - a / z)).

    The model is fed with the correction after the limits, so nothing winds up.

    References
    ----------
    .. [1] M. Morari and E. Zafiriou, Robust Process Control, 1989 (internal model control).
       From memory.
    .. [2] O. J. M. Smith, "Closer control of loops with dead time", Chem. Eng. Progress 53 (1957)
       217. From memory.
    """

    Params = SmithParams
    knobs = (Knob("response_ms", 0.5, 300.0),)

    def __init__(self, params: SmithParams, plant: PlantBelief) -> None:
        self.params = params
        self.plant = plant
        self.share = 1.0 - math.exp(-plant.frame_s / (1e-3 * params.response_ms))
        self.model = sampled_model(
            plant.resonance_rad_s,
            plant.quality,
            plant.amplifier_s,
            plant.frame_s,
            plant.exposure_s,
            plant.latency_s,
        )

    def initial_state(self, n_mirrors: int) -> SmithState:
        """Return the state before the first frame."""
        return self.hand_over(np.zeros((n_mirrors, 2)))

    def hand_over(self, correction_rad: Array) -> SmithState:
        """Return the state that takes over from a standing correction (M, 2) [rad]."""
        correction_rad = np.array(correction_rad, dtype=float)
        model = np.repeat(correction_rad[:, :, None], self.model.A.shape[-1], axis=2)
        model[:, :, 2] = 0.0  # the rate of a mirror at rest
        return SmithState(model, correction_rad)

    def step(
        self, state: SmithState, reading: TiltReading, setpoint: Setpoint
    ) -> tuple[SmithState, Array]:
        """Return (next state, correction (M, 2) [rad]); a lost mirror keeps its correction."""
        error_rad, seen = mismatch(reading, setpoint)
        expected_rad = (self.model.C @ state.model[..., None])[..., 0, 0]
        opposite_rad = error_rad + expected_rad
        change_rad = self.share * (opposite_rad - state.correction_rad)
        wanted_rad = state.correction_rad + np.where(seen, change_rad, 0.0)
        correction_rad = within(wanted_rad, setpoint)
        model = (
            self.model.A @ state.model[..., None] + self.model.B * correction_rad[..., None, None]
        )
        return SmithState(model[..., 0], correction_rad), correction_rad
