"""Residual pointing error from spectra: each contributor through the loop of every mirror."""

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from controllers.analysis.linear_loop import Loop, controller_response, sensitivity
from controllers.analysis.plant import plant_response, tilt_responses
from sim.assembly.build import Built
from sim.foundations.ports import Array
from sim.studies.margins.codes import MIRRORS, WHITE, Codes, rounding_under_loop
from sim.studies.margins.move import move_of
from sim.studies.margins.settling import left_of
from sim.studies.margins.spectra import STEPS, Spectra

MODEL_ERROR: Final = 0.02
"""From plants drawn at random, by `tests/benchmarks/held_out.py`; see docs/loops.md. [-]"""
STEPS_ERROR: Final = 0.03
"""More, as far as the steps of the DAC make the jitter; from the same plants. [-]"""
TOGETHER: Final = "DAC steps with the rest"
"""The contributor that is twice the covariance of the DAC's steps with all others."""
MOVES: Final = "moves"
"""The contributor that is what the last move leaves in the hold interval."""
NINETY_NINE: Final = 2.576
"""Standard deviations of a normal law that hold 99 %."""


class Prediction(NamedTuple):
    """Predicted variance about the mean over the hold interval: jitter, not bias."""

    names: tuple[str, ...]
    variance_rad2: Array
    """(K, M, 2) of each contributor, mirror and axis. [rad^2]"""
    excess_db: Array
    """(K, C) mean loss over the aligned loss that each causes on each connection. [dB]"""
    codes: Codes = WHITE
    """What rounding to codes leaves, against the white model of its steps."""

    @property
    def square_rad2(self) -> Array:
        """(K,) mean square over mirrors, of each contributor; a covariance may be below zero."""
        return np.asarray(self.variance_rad2.sum(axis=-1).mean(axis=-1))

    @property
    def jitter_rad(self) -> Array:
        """(K,) radial rms over mirrors, of each contributor; negative for a negative square."""
        return np.sign(self.square_rad2) * np.sqrt(np.abs(self.square_rad2))

    @property
    def total_rad(self) -> float:
        """Radial rms over mirrors, of all contributors together. [rad]"""
        return float(np.sqrt(self.variance_rad2.sum(axis=(0, 2)).mean()))

    @property
    def total_db(self) -> float:
        """Mean over connections. [dB]"""
        return float(self.excess_db.sum(axis=0).mean()) if self.excess_db.size else 0.0


def with_moves(prediction: Prediction, built: Built, jitter_rad2: Array) -> Prediction:
    """Return a prediction with what the last move leaves in the hold interval, as `MOVES`.

    Parameters
    ----------
    prediction : Prediction
        From `predict`.
    built : Built
        The scenario.
    jitter_rad2 : (M, 2) ndarray
        `sim.studies.margins.settling.left_of(...).jitter_rad2`. [rad^2]
    """
    return Prediction(
        (*prediction.names, MOVES),
        np.concatenate([prediction.variance_rad2, jitter_rad2[None]]),
        np.concatenate([prediction.excess_db, _excess_db(built, jitter_rad2[None])]),
        prediction.codes,
    )


def residual(built: Built, loop: Loop, spectra: Spectra) -> Prediction:
    """Return the residual of every contributor, and what the scenario's own last move leaves."""
    moves = left_of(built, move_of(built), loop).jitter_rad2
    return with_moves(predict(built, loop, spectra), built, moves)


def _excess_db(built: Built, variance_rad2: Array) -> Array:
    """Return the mean excess loss (K, C) of errors of variances (K, M, 2). [dB]"""
    epoch = built.parts.epochs[-1]
    curvature = np.einsum("cii->ci", epoch.form_db)  # (C, 4)
    errors = variance_rad2[:, epoch.pairs].reshape(len(variance_rad2), len(epoch.pairs), 4)
    return np.asarray((errors * curvature).sum(axis=-1))


class Band(NamedTuple):
    """Simulated over predicted jitter that counts as agreement. [-]"""

    low: float
    high: float
    statistical: float
    """Half the width that 99 % of all runs need. [-]"""
    model: float
    """Model error that is allowed on top. [-]"""

    def holds(self, ratio: float | None) -> bool:
        """Whether a ratio agrees."""
        return ratio is not None and self.low <= ratio <= self.high

    @property
    def words(self) -> str:
        """How the band comes about."""
        return (
            f"{self.low:.3f} to {self.high:.3f}: {100 * self.statistical:.1f} % by the statistics "
            f"of one run (99 %), {100 * self.model:.1f} % model error"
        )


class Transfers(NamedTuple):
    """Squared gains (F, M, 2) to the error, the mean over the instants of a frame. [-]"""

    tilt: Array
    """From what turns the mirror: what the loop leaves of it."""
    camera: Array
    """From what moves the camera's frame: what the loop follows."""
    reading: Array
    """From the noise of single readings."""
    correction: Array
    """From noise of single corrections, inside the loop."""

    def of(self, where: str) -> Array:
        """Return the one for a contributor."""
        return np.asarray(getattr(self, where))


def transfers_of(loop: Loop, frequency_hz: Array) -> Transfers:
    """Return how the loops pass what enters them at any frequency, half the frame rate and beyond.

    Exact for what is sampled by exposures and held between them: at an instant t of the frame a
    disturbance of the tilt leaves exp(j w t) - R_t(z) K S a, with the response R_t of the tilt
    there, the sensitivity S at the readings, the mean over the exposure a, and z on the unit
    circle, where a frequency beyond half the frame rate meets its fold.
    """
    f, plant = frequency_hz, loop.plant
    control = controller_response(loop.controller, f, plant.frame_s)
    own = plant_response(plant, f)
    send = control @ sensitivity(own @ control)  # (F, M, 2, 2)
    mean = np.exp(1j * np.pi * f * plant.exposure_s) * np.sinc(f * plant.exposure_s)
    through = np.einsum("mab,fmba->fma", plant.mix, send)
    inside = np.einsum("mab,fmba->fma", plant.mix, np.eye(2) - send @ own)
    tilt, follow, sent = (np.zeros(through.shape) for _ in range(3))
    responses = tilt_responses(plant, f)
    for j, response in enumerate(responses):
        t_s = plant.frame_s * (j + 0.5) / len(responses)
        followed = response * through
        turn = np.exp(2j * np.pi * f * t_s)[:, None, None]
        tilt += np.abs(turn - followed * mean[:, None, None]) ** 2
        follow += np.abs(followed) ** 2
        sent += np.abs(response * inside) ** 2
    n = len(responses)
    size = (np.abs(mean) ** 2)[:, None, None]
    return Transfers(tilt / n, follow * size / n, follow / n, sent / n)


def predict(built: Built, loop: Loop, spectra: Spectra) -> Prediction:
    """Return the residual of every contributor.

    A slow part of an error counts as bias and not as jitter as far as it does not change within the
    hold interval T: a density at f counts with 1 - sinc(f T)^2, which is exact for the variance
    about the mean over T. The error is that of the tilt itself, at all instants of the frames. The
    steps of the DAC are those of `sim.studies.margins.codes`. The loop must be stable.

    Parameters
    ----------
    built : Built
        The scenario.
    loop : Loop
        Its loops, or those of another controller on its mirrors.
    spectra : Spectra
        From `spectra_of`.
    """
    width = spectra.width_hz[:, None, None]
    densities, codes = _densities(built, loop, spectra)
    variance = np.stack([(density * width).sum(axis=0) for density in densities])
    names = tuple(c.name for c in spectra.contributors)
    if codes.together:
        steps = variance[names.index(STEPS)]
        rest = variance.sum(axis=0) - steps
        names = (*names, TOGETHER)
        variance = np.concatenate([variance, _together(codes, steps, rest)[None]])
    return Prediction(names, variance, _excess_db(built, variance), codes)


def _together(codes: Codes, steps_rad2: Array, rest_rad2: Array) -> Array:
    """Twice the covariance of what steps and all others leave. [rad^2]"""
    return np.asarray(2.0 * codes.together * np.sqrt(steps_rad2 * rest_rad2))


def variance_at(
    loop: Loop, spectra: Spectra, place: NDArray[np.intp], codes: Codes
) -> Array:
    """Return the variance (R, 2) of loops around R mirrors, all contributors together. [rad^2]

    Parameters
    ----------
    loop : Loop
        Stable loops, a row each.
    spectra : Spectra
        Of the described switch.
    place : (R,) ndarray of int
        Whose place in the fleet each has.
    codes : Codes
        `Prediction.codes` of the described switch under the same controller.
    """
    passed, changing = transfers_of(loop, spectra.frequency_hz), _changing(spectra)
    width = (changing * spectra.width_hz)[:, None, None]
    steps, rest = np.zeros(passed.tilt.shape[1:]), np.zeros(passed.tilt.shape[1:])
    for c in spectra.contributors:
        density = c.density[:, place] if c.density.shape[1] > 1 else c.density
        left = (passed.of(c.where) * density * width).sum(axis=0)
        if c.name == STEPS:
            steps = steps + codes.share * left
        else:
            rest = rest + left
    return np.asarray(steps + rest + _together(codes, steps, rest))


def densities_of(built: Built, loop: Loop, spectra: Spectra) -> list[Array]:
    """Return the density (F + G, M, 2) that each contributor leaves, as `predict` counts it.

    [rad^2/Hz]
    """
    return _densities(built, loop, spectra)[0]


def _densities(built: Built, loop: Loop, spectra: Spectra) -> tuple[list[Array], Codes]:
    """Return them with what rounding to codes leaves, against the white model of its steps."""
    passed, changing = transfers_of(loop, spectra.frequency_hz), _changing(spectra)
    codes, width = WHITE, spectra.width_hz[:, None, None]
    left = [passed.of(c.where) * c.density * changing[:, None, None] for c in spectra.contributors]
    for i, c in enumerate(spectra.contributors):
        if c.name == STEPS:
            white = (left[i] * width).sum(axis=0)
            rest = (np.sum(left, axis=0) * width).sum(axis=0) - white
            codes = rounding_under_loop(built, loop, spectra, white, rest)
            left[i] = left[i] * codes.share
    return left, codes


def _changing(spectra: Spectra) -> Array:
    return 1.0 - np.sinc(spectra.frequency_hz * spectra.hold_s) ** 2


def agreement_band(built: Built, loop: Loop, spectra: Spectra, prediction: Prediction) -> Band:
    """Return the band in which simulation and prediction agree: statistics plus model error.

    The model error is what plants drawn at random needed beyond the statistics (docs/loops.md): for
    linear loops, and more as far as rounding makes the jitter. Where a correction stands between
    two codes decides how much rounding leaves: the statistics count that of the mirrors that were
    played, and of those that are simulated.
    """
    variance = prediction.variance_rad2.sum(axis=(1, 2))
    share = variance[prediction.names.index(STEPS)] / variance.sum() if variance.any() else 0.0
    steps = min(float(share), 1.0)
    model = MODEL_ERROR + STEPS_ERROR * steps
    fleet = prediction.variance_rad2.shape[1]
    codes = 0.5 * steps * prediction.codes.spread * np.sqrt(1.0 + min(fleet, MIRRORS) / fleet)
    moves = [i for i, name in enumerate(prediction.names) if name == MOVES]
    played = prediction.variance_rad2[moves].sum(axis=0)
    drawn = scatter_of(built, loop, spectra, played)
    statistical = NINETY_NINE * float(np.hypot(drawn, codes))
    return Band(max(1.0 - statistical - model, 0.0), 1.0 + statistical + model, statistical, model)


def scatter_of(
    built: Built, loop: Loop, spectra: Spectra, moves_rad2: Array | float = 0.0
) -> float:
    """Return the relative standard deviation of the jitter of one run about its prediction. [-]

    A density W(f) over a time T makes the mean square scatter by the integral of W^2 over T. What
    lies below 1/T counts as one draw. Mirrors and axes draw their own noise and drift; what is
    played, the same in every run, does not scatter. Nor does what moves leave, of a mean square D
    (M, 2); its product with the noise does, by at most 2 D W / T for the largest W.
    """
    passed = transfers_of(loop, spectra.frequency_hz)
    shape = passed.tilt.shape
    drawn, total = np.zeros(shape), np.zeros(shape)
    for c in spectra.contributors:
        part = np.broadcast_to(passed.of(c.where) * c.density, shape)
        part = part * _changing(spectra)[:, None, None]
        total = total + part
        if ":" not in c.name:  # played ones are named by their way into the loop
            drawn = drawn + part
    width = spectra.width_hz[:, None, None]
    slow = spectra.frequency_hz < 1.0 / spectra.hold_s
    square = (drawn[~slow] ** 2 * width[~slow]).sum(axis=0) / spectra.hold_s
    square = square + 2.0 * (drawn[slow] * width[slow]).sum(axis=0) ** 2
    cross = 2.0 * moves_rad2 * drawn[~slow].max(axis=0, initial=0.0) / spectra.hold_s
    square = square + cross
    mean_square = (total * width).sum() + np.sum(moves_rad2)
    return float(0.5 * np.sqrt(square.sum()) / mean_square) if mean_square > 0 else 0.0
