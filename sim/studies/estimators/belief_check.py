"""Whether recorded frames can come from the camera that the scenario states."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.camera.settings import CameraParams
from sim.foundations.ports import Array

LEAST_FRAMES = 64
"""Frames below which noise is not judged."""
LEVEL_NOISE = 0.5
"""Dark level off by more than this is named. [noise deviations of a pixel]"""
NOISE_RATIO = 1.25
GAIN_RATIO = 1.2
GAIN_ERRORS = 3.0
MOST_GAIN_ERROR = 0.15
"""Relative standard error above which a gain cannot be found."""
MOST_MOTION_PX = 0.1
PILED_UP = 0.001
"""Share of pixels at the largest value that frames do not have by chance."""
FAR_SIGMAS = 4.0
FIT_ROUNDS = 4
LEAST_VARIANCE_DN2 = 1 / 12
"""That of rounding alone."""


class BeliefCheck(NamedTuple):
    """One figure of the camera, as stated and as found."""

    what: str
    stated: float
    found: float | None
    """None where the frames do not show it."""
    agrees: bool
    text: str


def check_belief(
    frames_dn: NDArray[np.int32], camera: CameraParams, spot_px: Array
) -> list[BeliefCheck]:
    """Compare dark level, noise in the dark, gain and saturation with the frames.

    Parameters
    ----------
    frames_dn : (M, H, W) ndarray of int32
        In the order of recording. [DN]
    camera : CameraParams
        As stated.
    spot_px : (M, 2) ndarray
        Readings of a good estimator; NaN where there is none. [px]

    Notes
    -----
    Dark level: median of the pixels farther than `FAR_SIGMAS` from the spot, against black level
    and background. Gain: photon transfer (EMVA 1288: the slope of temporal variance against mean
    is the gain), pixel by pixel from the differences of successive frames, with a term for the
    squared gradient, which takes what a small motion adds. It needs `LEAST_FRAMES` of one spot
    nearly at rest.
    """
    dark = _dark_mask(frames_dn, camera, spot_px)
    found = []
    if dark.any():
        values = frames_dn[dark]
        found.append(_level(values, camera))
        if len(frames_dn) >= LEAST_FRAMES:
            found.append(_noise(frames_dn, dark, camera))
    found.append(_gain(frames_dn, camera, spot_px))
    found.append(_saturation(frames_dn, camera))
    return found


def _dark_mask(
    frames_dn: NDArray[np.int32], camera: CameraParams, spot_px: Array
) -> NDArray[np.bool_]:
    _, height, width = frames_dn.shape
    middle = np.where(np.isfinite(spot_px), spot_px, 0.5 * np.array([width - 1, height - 1]))
    x = np.arange(width) - middle[:, 0, None]
    y = np.arange(height) - middle[:, 1, None]
    far_px = np.hypot(x[:, None, :], y[:, :, None])
    return np.asarray(far_px > FAR_SIGMAS * camera.spot_sigma_px)


def _stated_dark(camera: CameraParams) -> tuple[float, float]:
    """Level and noise of a dark pixel. [DN]"""
    mean_e = camera.background_e + camera.dark_e
    gain = camera.gain_dn_per_e
    return (
        camera.black_dn + gain * mean_e,
        gain * float(np.sqrt(mean_e + camera.read_noise_e**2 + 1 / (12 * gain**2))),
    )


def _level(values: NDArray[np.int32], camera: CameraParams) -> BeliefCheck:
    level, noise = _stated_dark(camera)
    # The mean of the middle half: finer than a median of whole numbers, and no hot pixel counts.
    low, high = np.percentile(values, [25, 75])
    found = float(values[(values >= low) & (values <= high)].mean())
    agrees = abs(found - level) <= LEVEL_NOISE * max(noise, 1.0)
    text = f"dark level {found:.1f} DN, stated {level:.1f} DN (black level and background)"
    if not agrees:
        text += "; set camera.black_dn or camera.background_e"
    return BeliefCheck("dark level", level, found, agrees, text)


def _noise(
    frames_dn: NDArray[np.int32], dark: NDArray[np.bool_], camera: CameraParams
) -> BeliefCheck:
    _, noise = _stated_dark(camera)
    both = dark[1:] & dark[:-1]
    found = float(np.sqrt(0.5 * np.mean(np.diff(frames_dn, axis=0)[both] ** 2.0)))
    agrees = 1 / NOISE_RATIO <= found / noise <= NOISE_RATIO
    text = f"noise in the dark {found:.2f} DN, stated {noise:.2f} DN"
    if not agrees:
        text += "; set camera.read_noise_e, camera.background_e or camera.gain_dn_per_e"
    return BeliefCheck("noise in the dark", noise, found, agrees, text)


def gain_from_one_spot(frames_dn: NDArray[np.int32]) -> tuple[float, float]:
    """Return the gain from successive frames of one spot, and its standard error. [DN/e-]"""
    mean = frames_dn.mean(axis=0)
    variance = 0.5 * (np.diff(frames_dn, axis=0).astype(np.float64) ** 2).mean(axis=0)
    slope_y, slope_x = np.gradient(mean)
    terms = np.stack([np.ones_like(mean), mean, slope_x**2 + slope_y**2], axis=-1).reshape(-1, 3)
    # A variance is known to a part of itself. Weighing by the measured ones would favour those that
    # chance made small, so weigh by what the last fit expects.
    expected = np.full(len(terms), variance.mean())
    for _ in range(FIT_ROUNDS):
        scaled, wanted = terms / expected[:, None], variance.ravel() / expected
        gain = np.linalg.lstsq(scaled, wanted, rcond=None)[0]
        left = wanted - scaled @ gain
        expected = np.maximum(terms @ gain, LEAST_VARIANCE_DN2)
    spread = left @ left / (len(left) - 3) * np.linalg.pinv(scaled.T @ scaled)
    return float(gain[1]), float(np.sqrt(spread[1, 1]))


def _gain(frames_dn: NDArray[np.int32], camera: CameraParams, spot_px: Array) -> BeliefCheck:
    stated = camera.gain_dn_per_e

    def unknown(why: str) -> BeliefCheck:
        return BeliefCheck("gain", stated, None, True, f"gain not found from the frames: {why}")

    read = np.isfinite(spot_px).all(axis=1)
    frames_dn, spot_px = frames_dn[read], spot_px[read]
    if len(frames_dn) < LEAST_FRAMES:
        return unknown(f"fewer than {LEAST_FRAMES} frames with a spot that is read")
    steps = np.diff(spot_px, axis=0)
    if float(np.sqrt(0.5 * np.mean(steps**2))) > MOST_MOTION_PX:
        return unknown("the spot moves from frame to frame")
    found, error = gain_from_one_spot(frames_dn)
    if not 0 < error < MOST_GAIN_ERROR * found:
        return unknown("too little light, or too few frames")
    far = max(found / stated, stated / found) > GAIN_RATIO
    agrees = not (far and abs(found - stated) > GAIN_ERRORS * error)
    text = f"gain {found:.3f} +- {error:.3f} DN/e- by photon transfer, stated {stated:g} DN/e-"
    if not agrees:
        text += "; set camera.gain_dn_per_e"
    return BeliefCheck("gain", stated, found, agrees, text)


def _saturation(frames_dn: NDArray[np.int32], camera: CameraParams) -> BeliefCheck:
    full = 2**camera.bits - 1
    stated = min(full, camera.black_dn + camera.gain_dn_per_e * camera.full_well_e)
    largest = int(frames_dn.max())
    at_top = float(np.mean((frames_dn == largest).any(axis=(1, 2))))
    several = float(np.mean(frames_dn == largest))
    if largest >= stated - 1:
        part = float(np.mean((frames_dn >= stated - 1).any(axis=(1, 2))))
        text = f"{100 * part:.1f} % of the frames reach saturation at {stated:.0f} DN"
        return BeliefCheck("saturation", stated, float(largest), part < PILED_UP, text)
    piled = several > PILED_UP and at_top > 0.5
    text = f"largest value {largest} DN, saturation stated at {stated:.0f} DN"
    if piled:
        text += f"; {100 * at_top:.0f} % of the frames end at just that value: saturated there?"
    return BeliefCheck("saturation", stated, float(largest), not piled, text)
