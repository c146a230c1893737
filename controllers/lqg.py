"""State feedback on a Kalman estimate of mirror, delay, drift and vibration lines."""

from typing import Annotated, Literal

import numpy as np
from pydantic import Field

from controllers.by_law import ByLaw
from controllers.lqg_design import LineParams, LqgGains, design
from controllers.sampled_model import sampled_model
from sim.foundations.params import Block, between
from sim.foundations.ports import Knob, PlantBelief
from sim.foundations.ports.linear_law import LawMatrices, LinearLaw


class LqgParams(Block):
    """What the designer believes about the disturbances, and how hard the mirror may be driven.

    Valid for noise and drift of 1e-6 to 1e6 urad and weights of 1e-9 to 1e9: further apart, the
    Riccati equations of the design lose their digits, which is refused where it shows.
    """

    kind: Literal["lqg"] = "lqg"
    """Name of this controller. [-]"""
    drift_urad_per_sqrt_s: Annotated[float, between(1e-6, 1e6)]
    """Growth of the random-walk disturbance on each axis. [urad/sqrt(s)]"""
    noise_urad: Annotated[float, between(1e-6, 1e6)]
    """Random error of one tilt reading on each axis, rms. [urad]"""
    mirror_noise_urad: Annotated[float, between(0.0, 1e6)] = 1.0
    """Random static tilt that shakes the mirror anew each frame, rms. [urad]"""
    control_weight: Annotated[float, between(1e-9, 1e9)]
    """Cost of the correction's squared change per frame against the squared mismatch. [-]"""
    lines: Annotated[tuple[LineParams, ...], Field(max_length=16)] = ()
    """Narrow-band vibration that the correction is to cancel. [-]"""


class Lqg(ByLaw):
    """The disturbance is estimated and cancelled as far ahead as the delay makes necessary.

    The estimated random walk is the integral action: its cancellation leaves no mismatch at rest,
    whatever the drive's true gain. The estimator is given the correction after the limits, so
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
        super().__init__(self._stated(model.names))

    def _stated(self, names: tuple[str, ...]) -> LinearLaw:
        """States are the estimate after the reading: mirror, drift, two numbers for each line.

        A lost frame has no innovation: the estimate is what the model predicts. At rest the drift
        is what the correction cancels.
        """
        A, B, C, L, K = self.gains
        n = A.shape[-1]
        seen = np.eye(n) - L @ C
        at_rest = np.zeros(n)
        at_rest[: len(names)] = [0.0 if name == "rate" else 1.0 for name in names]
        at_rest[len(names)] = -1.0
        C_u = -K[:, 0, :]
        return LinearLaw.of(
            LawMatrices.of(
                n, A=(seen @ A)[None], B=-L[None, ..., 0], G=(seen @ B)[None, ..., 0], C=C_u[None],
                H=1.0,
            ),
            LawMatrices.of(n, A=A[None], G=B[None, ..., 0], C=C_u[None], H=1.0),
            standing=at_rest,
        )  # fmt: skip
