"""The Cramer-Rao bound of a frame as it is: moved during the exposure, and saturated."""

import numpy as np
from numpy.typing import NDArray
from scipy.special import log_ndtr, ndtr

from sim.camera.settings import CameraParams
from sim.estimators.spot_model import axis_profile, axis_slope
from sim.foundations.ports import Array


def kept_information(z: Array) -> Array:
    """Return the part of a normal variable's information on its mean that clipping leaves.

    Parameters
    ----------
    z : ndarray
        (limit - mean) / deviation; values above the limit read as the limit. [-]

    Returns
    -------
    ndarray
        ``Phi(z) - z phi(z) + phi(z)^2 / (1 - Phi(z))``: 1 far below the limit, 0 far above. [-]

    Notes
    -----
    The Fisher information of a censored normal sample: what lies below the limit adds the mean
    square of its score, what lies above it the square of its score's mean.
    """
    with np.errstate(under="ignore"):
        density = np.exp(-0.5 * z**2) / np.sqrt(2 * np.pi)
        clipped = np.exp(-(z**2) - np.log(2 * np.pi) - log_ndtr(-z))
        return np.clip(ndtr(z) - z * density + clipped, 0.0, 1.0)


def frame_bound_px(path_px: NDArray[np.float64], camera: CameraParams) -> Array:
    """Cramer-Rao bound of the mean position of a spot that moves while the shutter is open.

    Shot noise, read noise and rounding count as variance (see
    `sim.estimators.bounds.position_bound_px`, which this equals for a spot at rest below
    saturation). Light, background, width and the shape of the path are known. Pixels that clip at
    the well or at full scale keep what information censoring leaves.
    Misleads where the black level is so low that noise clips there. Ghosts, hot pixels and other
    faults are not in it: it is the bound of the clean frame.

    Parameters
    ----------
    path_px : (S, 2, M) ndarray
        Path of each spot over the exposure, in window pixels. [px]
    camera : CameraParams
        The camera as it is.

    Returns
    -------
    (M, 2) ndarray
        Least standard deviation along x and y. [px]

    Raises
    ------
    ValueError
        If `path_px` is not (S, 2, M), or the camera has no signal.
    """
    if path_px.ndim != 3 or path_px.shape[1] != 2:
        raise ValueError(f"path_px must be (S, 2, M), got shape {path_px.shape}")
    if not camera.signal_e > 0:
        raise ValueError(f"signal_e must be positive, got {camera.signal_e:g}")
    height, width = camera.window_px
    n_spots = path_px.shape[2]
    mean = np.zeros((n_spots, height, width))
    slope = np.zeros((2, n_spots, height, width))
    for column, row in path_px:
        gx = axis_profile(column, camera.spot_sigma_px, width)[:, None, :]
        gy = axis_profile(row, camera.spot_sigma_px, height)[:, :, None]
        mean += gy * gx
        slope[0] += gy * axis_slope(column, camera.spot_sigma_px, width)[:, None, :]
        slope[1] += axis_slope(row, camera.spot_sigma_px, height)[:, :, None] * gx
    scale = camera.signal_e / len(path_px)
    mean = camera.background_e + camera.dark_e + scale * mean
    slope *= scale
    gain = camera.gain_dn_per_e
    variance = mean + camera.read_noise_e**2 + 1 / (12 * gain**2)
    limit = min(camera.full_well_e, (2**camera.bits - 1 - camera.black_dn) / gain)
    weight = kept_information((limit - mean) / np.sqrt(variance)) / variance
    fisher = np.einsum("aihw,ihw,bihw->iab", slope, weight, slope)
    return np.sqrt(np.einsum("iaa->ia", np.linalg.inv(fisher)))
