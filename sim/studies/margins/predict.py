"""Residual pointing error from spectra: each contributor through the loop of every mirror."""

from typing import NamedTuple

import numpy as np

from controllers.analysis.linear_loop import Loop, loop_gain, sensitivity
from sim.assembly.build import Built
from sim.ports import Array
from sim.studies.margins.spectra import Spectra


class Prediction(NamedTuple):
    """Predicted variance about the mean over the hold interval: jitter, not bias."""

    names: tuple[str, ...]
    variance_rad2: Array
    """(K, M, 2) of each contributor, mirror and axis. [rad^2]"""
    excess_db: Array
    """(K, C) mean loss over the aligned loss that each causes on each connection. [dB]"""

    @property
    def jitter_rad(self) -> Array:
        """(K,) radial rms over mirrors, of each contributor. [rad]"""
        return np.sqrt(self.variance_rad2.sum(axis=-1).mean(axis=-1))

    @property
    def total_rad(self) -> float:
        """Radial rms over mirrors and contributors, which are taken as independent. [rad]"""
        return float(np.sqrt(self.variance_rad2.sum(axis=(0, 2)).mean()))

    @property
    def total_db(self) -> float:
        """Mean over connections. [dB]"""
        return float(self.excess_db.sum(axis=0).mean()) if self.excess_db.size else 0.0


def transfer_of(loop: Loop, spectra: Spectra) -> tuple[Array, Array]:
    """Return |S|^2 and |T|^2 (F, M, 2) of each axis on the bands of the spectra. [-]"""
    whole = sensitivity(loop_gain(loop, spectra.frequency_hz))
    own = np.stack([whole[..., 0, 0], whole[..., 1, 1]], axis=-1)
    return np.abs(own) ** 2, np.abs(1.0 - own) ** 2


def predict(built: Built, loop: Loop, spectra: Spectra) -> Prediction:
    """Return the residual of every contributor.

    A slow part of an error counts as bias and not as jitter as far as it does not change within the
    hold interval T: a density at f counts with 1 - sinc(f T)^2, which is exact for the variance
    about the mean over T. Between frames the error is taken to be what it is at the exposures; what
    shakes a mirror above half the frame rate is added as it is. The loop must be stable.

    Parameters
    ----------
    built : Built
        The scenario.
    loop : Loop
        Its loops, or those of another controller on its mirrors.
    spectra : Spectra
        From `spectra_of`.
    """
    s, t = transfer_of(loop, spectra)
    changing = 1.0 - np.sinc(spectra.frequency_hz * spectra.hold_s) ** 2
    weight = (spectra.width_hz * changing)[:, None, None]
    n_mirrors = len(built.parts.mirrors)
    variance = np.stack(
        [
            np.broadcast_to(
                ((s if c.where == "tilt" else t) * c.density * weight).sum(axis=0) + c.beyond_rad2,
                (n_mirrors, 2),
            )
            for c in spectra.contributors
        ]
    )
    epoch = built.parts.epochs[-1]
    curvature = np.einsum("cii->ci", epoch.form_db)  # (C, 4)
    errors = variance[:, epoch.pairs].reshape(len(variance), len(epoch.pairs), 4)
    return Prediction(
        tuple(c.name for c in spectra.contributors), variance, (errors * curvature).sum(axis=-1)
    )
