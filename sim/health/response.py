"""What the firmware expects its corrections to do: the believed mirror behind hold and delay."""

import numpy as np

from controllers.sampled_model import sampled_model
from sim.foundations.ports import Array, PlantBelief


class CorrectionResponse:
    """Mean tilt over each exposure that corrections alone make the believed mirror take."""

    def __init__(self, plant: PlantBelief) -> None:
        model = sampled_model(
            plant.resonance_rad_s, plant.quality, plant.amplifier_s, plant.frame_s,
            plant.exposure_s, plant.latency_s,
        )  # fmt: skip
        self._step, self._input, self._seen = model.A, model.B, model.C

    def at_rest(self, n_mirrors: int) -> Array:
        """Return the state (M, 2, n) of mirrors without correction."""
        return np.zeros((n_mirrors, 2, self._step.shape[-1]))

    def tilt_rad(self, state: Array) -> Array:
        """Return the mean tilt over this frame's exposure, (M, 2). [rad]"""
        return np.asarray((state * self._seen[:, 0]).sum(axis=-1))

    def after(self, state: Array, correction_rad: Array) -> Array:
        """Return the state a frame later, when a correction has been sent in this one."""
        return np.asarray(
            np.einsum("aij,maj->mai", self._step, state)
            + self._input[:, :, 0] * correction_rad[..., None]
        )
