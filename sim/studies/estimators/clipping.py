"""What a threshold leaves of a noisy frame, worked out from the camera's figures alone."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from sim.camera.places import spread
from sim.camera.settings import CameraParams
from sim.estimators.spot_model import pixel_integrated
from sim.foundations.ports import Array

N_PHASES = 16
SPREAD_PX = 1.0
"""Spots are taken to lie within this of the window's middle, along both axes. [px]"""
SMALLEST_THRESHOLD_SIGMA = 1.0
LARGEST_THRESHOLD_PEAK = 0.5
MOST_CANDIDATES = 80


class Clipped(NamedTuple):
    """Mean and variance of max(X - T, 0) of each pixel, in DN and DN^2."""

    mean: Array
    variance: Array


def clipped_normal(mean: Array, deviation: Array, threshold: float) -> Clipped:
    """Return mean and variance of what a normal variable has above a threshold.

    From the first two moments of the cut normal density: with z = (mean - T) / deviation, the
    mean is ``deviation (z Phi(z) + phi(z))`` and the mean square
    ``deviation^2 ((z^2 + 1) Phi(z) + z phi(z))``.
    """
    z = (mean - threshold) / deviation
    density = np.exp(-0.5 * z**2) / np.sqrt(2 * np.pi)
    below = ndtr(z)
    first = deviation * (z * below + density)
    second = deviation**2 * ((z**2 + 1) * below + z * density)
    return Clipped(first, np.maximum(second - first**2, 0.0))


class ExpectedFrames(NamedTuple):
    """The expected frames of a camera at several phases, in DN, and their noise."""

    mean_dn: Array
    """(P, H, W)."""
    deviation_dn: Array
    """(P, H, W)."""
    dark_dn: float
    """Black level and background."""
    dark_deviation_dn: float
    position_px: Array
    """(P, 2)."""
    light_dn: float
    """All of the spot's light."""


def pictured(camera: CameraParams) -> ExpectedFrames:
    """Return what the camera is expected to see, without saturation or faults."""
    height, width = camera.window_px
    position = 0.5 * np.array([width - 1, height - 1]) + spread(N_PHASES, SPREAD_PX)
    share = pixel_integrated(position, camera.spot_sigma_px, camera.window_px)
    background_e = camera.background_e + camera.dark_e
    mean_e = background_e + camera.signal_e * share
    gain = camera.gain_dn_per_e
    fixed = camera.read_noise_e**2 + 1 / (12 * gain**2)
    return ExpectedFrames(
        camera.black_dn + gain * mean_e,
        gain * np.sqrt(mean_e + fixed),
        camera.black_dn + gain * background_e,
        gain * float(np.sqrt(background_e + fixed)),
        position,
        gain * camera.signal_e,
    )


def predicted_error_px(picture: ExpectedFrames, threshold_dn: float) -> float:
    """Return the rms error of the thresholded centre of gravity, bias and scatter, to first order.

    Misleads where the noise of the light's sum is no longer small against the sum.
    """
    clipped = clipped_normal(picture.mean_dn, picture.deviation_dn, threshold_dn)
    _, height, width = picture.mean_dn.shape
    total = clipped.mean.sum(axis=(1, 2))
    square = 0.0
    for axis, places in enumerate((np.arange(width), np.arange(height)[:, None])):
        centre = (clipped.mean * places).sum(axis=(1, 2)) / total
        lever = places - centre[:, None, None]
        variance = (lever**2 * clipped.variance).sum(axis=(1, 2)) / total**2
        square += float(np.mean((centre - picture.position_px[:, axis]) ** 2 + variance))
    return float(np.sqrt(0.5 * square))


def best_threshold_dn(picture: ExpectedFrames) -> int:
    """Return the whole threshold of least predicted error. [DN]

    Looked for between one noise deviation above the background and half of the spot's peak.
    """
    peak = float(picture.mean_dn.max()) - picture.dark_dn
    low = picture.dark_dn + SMALLEST_THRESHOLD_SIGMA * picture.dark_deviation_dn
    high = max(picture.dark_dn + LARGEST_THRESHOLD_PEAK * peak, low + 1)
    candidates: NDArray[np.int64] = np.unique(
        np.ceil(np.geomspace(low - picture.dark_dn, high - picture.dark_dn, MOST_CANDIDATES))
        + np.floor(picture.dark_dn)
    ).astype(np.int64)
    errors = [predicted_error_px(picture, float(t)) for t in candidates]
    return int(candidates[int(np.argmin(errors))])
