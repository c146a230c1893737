"""The mirror as a controller meets it, once a frame: hold, delay, resonance and exposure."""

import math
from typing import NamedTuple

import numpy as np
import scipy
from numpy.typing import ArrayLike, NDArray

from sim.foundations.ports import Array

_ROUNDING = 1e-9
"""Share of a frame by which times may miss a frame edge and still be taken as on it."""


class SampledModel(NamedTuple):
    """x[k+1] = A x[k] + B u[k], y[k] = C x[k]; u[k] is the correction computed from y[k].

    y[k] is the mean tilt over the exposure of frame k [rad]; u[k] is a static tilt [rad]. There is
    no direct term: a correction cannot reach the exposure it was computed from. The gain at rest is
    1; a drive gain g multiplies C.
    """

    A: Array
    """(..., n, n) transition over one frame."""
    B: Array
    """(..., n, 1) effect of the correction computed in this frame."""
    C: Array
    """(..., 1, n) exposure-averaged tilt."""
    names: tuple[str, ...]
    """The n states: amplifier output [rad], tilt [rad], rate [rad/s], then u[k-1], u[k-2], ..."""

    def frequency_response(self, frequency_hz: ArrayLike, frame_s: float) -> NDArray[np.complex128]:
        """Return y/u at each frequency, (F, ...).

        Parameters
        ----------
        frequency_hz : (F,) array_like
            Frequencies; only those up to half the frame rate are distinct. [Hz]
        frame_s : float
            The frame period the model was made for. [s]
        """
        z = np.exp(2j * np.pi * np.atleast_1d(frequency_hz) * frame_s)
        z = z.reshape(z.shape + (1,) * self.A.ndim)
        resolvent = np.linalg.solve(z * np.eye(self.A.shape[-1]) - self.A, self.B + 0j * z)
        return (self.C @ resolvent)[..., 0, 0]


def sampled_model(
    resonance_rad_s: ArrayLike,
    quality: ArrayLike,
    amplifier_s: float,
    frame_s: float,
    exposure_s: float,
    latency_s: float,
) -> SampledModel:
    """Return the exact frame-to-frame model of amplifier, mirror, exposure mean, delay and hold.

    Linear, one axis at a time: cross-axis coupling, stiffening, travel stops, the drive's steps and
    its tick grid are left out. Per axis

    ``a' = (u - a) / amplifier_s``,  ``th'' = w^2 (a - th) - (w / Q) th'``

    with u held from `latency_s` after the frame's start for one frame period.

    Parameters
    ----------
    resonance_rad_s, quality : array_like
        Undamped resonance [rad/s] and quality factor [-]; they broadcast to the leading shape of
        the result, so that a whole population is one call.
    amplifier_s, frame_s, exposure_s, latency_s : float
        Amplifier time constant, frame period, exposure time, and time from the frame's start to the
        correction's arrival. [s]

    Returns
    -------
    SampledModel
        Matrices with leading shape of the broadcast `resonance_rad_s` and `quality`.

    Raises
    ------
    ValueError
        If a time or a mirror constant is not positive, if the exposure is longer than the frame, or
        if the correction would arrive before its exposure has ended.

    References
    ----------
    .. [1] C. F. Van Loan, "Computing integrals involving the matrix exponential", IEEE Trans.
       Automatic Control 23 (1978) 395: integrals as blocks of one larger exponential.
    """
    _check(amplifier_s=amplifier_s, frame_s=frame_s, exposure_s=exposure_s)
    _check(resonance_rad_s=resonance_rad_s, quality=quality)
    if exposure_s > frame_s:
        raise ValueError(f"exposure_s must not exceed frame_s ({frame_s:g}), got {exposure_s:g}")
    if latency_s < exposure_s:
        raise ValueError(
            f"latency_s must be at least exposure_s ({exposure_s:g}), got {latency_s:g}"
        )
    whole = math.floor(latency_s / frame_s + _ROUNDING)
    arrival_s = max(latency_s - whole * frame_s, 0.0)
    if arrival_s < _ROUNDING * frame_s:
        arrival_s = 0.0
    generator = _generator(resonance_rad_s, quality, amplifier_s)

    def over(duration_s: float) -> Array:
        return np.asarray(scipy.linalg.expm(generator * duration_s))

    # One frame: the older correction acts up to arrival_s, the newer one from there on.
    before, after = over(arrival_s), over(frame_s - arrival_s)
    old_to_x, new_to_x = after[..., :3, :3] @ before[..., :3, 4:], after[..., :3, 4:]
    x_to_x = after[..., :3, :3] @ before[..., :3, :3]
    if arrival_s >= exposure_s:
        exposed = over(exposure_s)
        x_to_y, old_to_y = exposed[..., 3:4, :3], exposed[..., 3:4, 4:]
        new_to_y = np.zeros_like(old_to_y)
    else:
        rest = over(exposure_s - arrival_s)
        x_to_y = before[..., 3:4, :3] + rest[..., 3:4, :3] @ before[..., :3, :3]
        old_to_y = before[..., 3:4, 4:] + rest[..., 3:4, :3] @ before[..., :3, 4:]
        new_to_y = rest[..., 3:4, 4:]

    n_held = whole + (1 if arrival_s > 0.0 else 0)
    n = 3 + n_held
    shape = generator.shape[:-2]
    A, B, C = np.zeros((*shape, n, n)), np.zeros((*shape, n, 1)), np.zeros((*shape, 1, n))
    A[..., :3, :3], C[..., :3] = x_to_x, x_to_y / exposure_s
    for age, to_x, to_y in ((whole, new_to_x, new_to_y), (whole + 1, old_to_x, old_to_y)):
        if age == 0:  # u[k] itself, arriving within its own frame, after the exposure
            B[..., :3, :] += to_x
        elif age <= n_held:
            A[..., :3, 2 + age : 3 + age] += to_x
            C[..., 2 + age : 3 + age] += to_y / exposure_s
    B[..., 3, 0] = 1.0
    for age in range(2, n_held + 1):
        A[..., 2 + age, 1 + age] = 1.0
    held = tuple(f"u[k-{age}]" for age in range(1, n_held + 1))
    return SampledModel(A, B, C, ("amplifier", "tilt", "rate", *held))


def tilt_within(
    resonance_rad_s: ArrayLike, quality: ArrayLike, amplifier_s: float, frame_s: float,
    latency_s: float, at_s: float, n_states: int,
) -> tuple[Array, Array]:  # fmt: skip
    """Return rows (..., 1, n) and (..., 1, 1): the tilt at an instant within the frame.

    They take the states of `sampled_model` at the frame's start, and the correction computed in
    this frame, which is there already if the latency is shorter than the instant.

    Parameters
    ----------
    resonance_rad_s, quality, amplifier_s, frame_s, latency_s
        As for `sampled_model`.
    at_s : float
        Since the frame's start, at most a frame. [s]
    n_states : int
        Of the sampled model.
    """
    whole = math.floor(latency_s / frame_s + _ROUNDING)
    arrival_s = max(latency_s - whole * frame_s, 0.0)
    generator = _generator(resonance_rad_s, quality, amplifier_s)

    def over(duration_s: float) -> Array:
        return np.asarray(scipy.linalg.expm(generator * duration_s))

    before_s, after_s = min(at_s, arrival_s), max(at_s - arrival_s, 0.0)
    before, after = over(before_s), over(after_s)
    shape = generator.shape[:-2]
    row, now = np.zeros((*shape, 1, n_states)), np.zeros((*shape, 1, 1))
    row[..., :3] = after[..., 1:2, :3] @ before[..., :3, :3]
    to = {whole + 1: after[..., 1:2, :3] @ before[..., :3, 4:], whole: after[..., 1:2, 4:]}
    for age, share in to.items():
        if age == 0:
            now += share
        elif 2 + age < n_states:
            row[..., 2 + age : 3 + age] += share
    return row, now


def _generator(resonance_rad_s: ArrayLike, quality: ArrayLike, amplifier_s: float) -> Array:
    """Return (..., 5, 5): d/dt of amplifier, tilt, rate, integral of tilt, held input."""
    w, q = np.broadcast_arrays(
        np.asarray(resonance_rad_s, dtype=float), np.asarray(quality, dtype=float)
    )
    generator = np.zeros((*w.shape, 5, 5))
    generator[..., 0, 0], generator[..., 0, 4] = -1.0 / amplifier_s, 1.0 / amplifier_s
    generator[..., 1, 2] = 1.0
    generator[..., 2, 0], generator[..., 2, 1], generator[..., 2, 2] = w**2, -(w**2), -w / q
    generator[..., 3, 1] = 1.0
    return generator


def _check(**values: ArrayLike) -> None:
    """Raise a ValueError for the first argument that is not positive and finite throughout."""
    for name, value in values.items():
        array = np.asarray(value, dtype=float)
        if not np.all(np.isfinite(array) & (array > 0.0)):
            raise ValueError(f"{name} must be positive and finite, got {array}")
