"""State feedback on a Kalman estimate of mirror, delay, drift and vibration lines."""

from typing import Literal, NamedTuple

import numpy as np

from controllers.anti_windup import within
from controllers.lqg_design import LineParams, LqgGains, design
from controllers.mismatch import mismatch
from controllers.sampled_model import sampled_model
from sim.params import Block, NonNegative, Positive
from sim.ports import Array, Knob, PlantBelief, Setpoint, TiltReading


class LqgParams(Block):
    """What the designer believes about the disturbances, and how hard the mirror may be driven."""

    kind: Literal["lqg"] = "lqg"
    """Name of this controller. [-]"""
    drift_urad_per_sqrt_s: Positive
    """Growth of the random-walk disturbance on each axis. [urad/sqrt(s)]"""
    noise_urad: Positive
    """Random error of one tilt reading on each axis, rms. [urad]"""
    mirror_noise_urad: NonNegative = 1.0
    """Random static tilt that shakes the mirror anew each frame, rms. [urad]"""
    control_weight: Positive
    """Cost of the correction's squared change per frame against the squared mismatch. [-]"""
    lines: tuple[LineParams, ...] = ()
    """Narrow-band vibration that the correction is to cancel. [-]"""


class LqgState(NamedTuple):
    """What the controller remembers."""

    estimate: Array
    """(M, 2, n) predicted state: the sampled mirror, drift, two numbers per line. [rad, rad/s]"""


class Lqg:
    """The disturbance is estimated and cancelled as far ahead as the delay makes necessary.

    The estimated random walk is the integral action: its cancellation leaves no mismatch at rest,
    whatever the drive's true gain. The estimator is told the correction after the limits, so
    nothing winds up. A lost mirror coasts on the model: drift stands still, lines go on and fade.

    The cost counts the exposure-averaged mismatch once a frame; what happens between exposures is
    not in it. With a resonance above half the frame rate the estimator sees the ringing folded, and
    a wrong resonance folds to a wrong place: raise `mirror_noise_urad` or `control_weight` if the
    population's spread is wide.
    """

    Params = LqgParams
    knobs = (Knob("control_weight", 0.001, 1000.0), Knob("noise_urad", 1.0, 1000.0))

    def __init__(self, params: LqgParams, plant: PlantBelief) -> None:
        self.params = params
        self.plant = plant
        model = sampled_model(
            plant.resonance_rad_s,
            plant.quality,
            plant.amplifier_s,
            plant.frame_s,
            plant.exposure_s,
            plant.latency_s,
        )
        per_axis = [
            design(
                model.A[axis],
                model.B[axis],
                model.C[axis],
                frame_s=plant.frame_s,
                drift_urad_per_sqrt_s=params.drift_urad_per_sqrt_s,
                noise_urad=params.noise_urad,
                mirror_noise_urad=params.mirror_noise_urad,
                control_weight=params.control_weight,
                lines=params.lines,
            )
            for axis in (0, 1)
        ]
        self.gains = LqgGains(*(np.stack(pair) for pair in zip(*per_axis, strict=True)))
        self.n_plant = model.A.shape[-1]

    def initial_state(self, n_mirrors: int) -> LqgState:
        """Return the state before the first frame."""
        return self.hand_over(np.zeros((n_mirrors, 2)))

    def hand_over(self, correction_rad: Array) -> LqgState:
        """Return the state that takes over from a standing correction (M, 2) [rad].

        The mirror is taken to be at rest, and the correction to be what the drift calls for.
        """
        correction_rad = np.asarray(correction_rad, dtype=float)
        estimate = np.zeros((len(correction_rad), 2, self.gains.A.shape[-1]))
        estimate[:, :, : self.n_plant] = correction_rad[:, :, None]
        estimate[:, :, 2] = 0.0  # the rate of a mirror at rest
        estimate[:, :, self.n_plant] = -correction_rad
        return LqgState(estimate)

    def step(
        self, state: LqgState, reading: TiltReading, setpoint: Setpoint
    ) -> tuple[LqgState, Array]:
        """Return (next state, correction (M, 2) [rad]); a lost mirror coasts on the model."""
        gains = self.gains
        error_rad, seen = mismatch(reading, setpoint)
        predicted = state.estimate[..., None]
        innovation_rad = -error_rad[..., None, None] - gains.C @ predicted
        estimate = predicted + gains.L * np.where(seen[..., None, None], innovation_rad, 0.0)
        previous_rad = state.estimate[:, :, 3]
        correction_rad = within(previous_rad - (gains.K @ estimate)[..., 0, 0], setpoint)
        following = gains.A @ estimate + gains.B * correction_rad[..., None, None]
        return LqgState(following[..., 0]), correction_rad
