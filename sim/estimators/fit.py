"""Fits of a pixel-integrated Gaussian with free position, light and background."""

from typing import Annotated, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from sim.estimators.normal_equations import Equations, least_squares, likelihood, solved
from sim.estimators.peak import coarse_spot
from sim.estimators.reading import Mask, checked_frames, judged, light_above_background
from sim.estimators.settings import SpotSettings
from sim.foundations.params import between
from sim.foundations.ports import CameraBelief, SpotReading

LARGEST_STEP_SIGMA = 0.5
"""A step in position is cut to this part of the spot's width. [-]"""


class FitSettings(SpotSettings):
    """When an iteration is done, and when it is given up.

    Valid for one Gaussian spot on an even background; steps below 1e-9 px are lost in rounding.
    """

    tolerance_px: Annotated[float, between(1e-9, 1.0)] = 1e-4
    """The search ends once a step is smaller than this. [px]"""
    max_iterations: Annotated[int, Field(ge=1, le=1000)] = 20
    """Spots that still move after this many steps are FAILED. [-]"""


class GaussianFitParams(FitSettings):
    """Least-squares fit, every pixel with the same weight."""

    kind: Literal["gaussian_fit"]
    """Name of this estimator. [-]"""


class PoissonFitParams(FitSettings):
    """Maximum-likelihood fit, with shot noise and read noise."""

    kind: Literal["poisson_fit"]
    """Name of this estimator. [-]"""


def gaussian_fit(
    frames_dn: NDArray[np.int32],
    *,
    camera: CameraBelief,
    min_flux_dn: float,
    edge_px: float,
    tolerance_px: float = 1e-4,
    max_iterations: int = 20,
) -> SpotReading:
    """Least-squares fit of a pixel-integrated Gaussian of believed width.

    Background and light are fitted, so a wrong `camera.background_e` does no harm. Every pixel
    weighs the same though bright ones are noisier: with much light the scatter tends to 4/3 of the
    bound. Misleads when something brighter than the spot is in the window (the start goes there),
    and when a ghost or a hot pixel lies within the profile. A wrong `camera.spot_sigma_px` costs
    scatter and misstates the light, but does not shift the reading.

    Parameters
    ----------
    frames_dn : (M, H, W) ndarray of int
        Windows as read. [DN]
    camera : CameraBelief
        Black level, gain, background (to start from) and spot width are used.
    min_flux_dn : float
        Least light above the background, summed over the window. [DN]
    edge_px : float
        Least distance of the reading from the outermost pixel centres. [px]
    tolerance_px : float
        Largest last step. [px]
    max_iterations : int
        Steps before a spot is given up.

    Returns
    -------
    SpotReading
        `flux_dn` is the fitted light, or the sum above the background where the fit fails.

    Raises
    ------
    ValueError
        If `frames_dn` is not (M, H, W), not of whole numbers, or smaller than 3 pixels.

    Notes
    -----
    Gauss-Newton. Model and derivatives are products of a function of x and one of y, so a step
    needs the frame only in three sums over columns, and the normal matrix no frame at all.

    References
    ----------
    .. [1] K. I. Mortensen et al., Nat. Methods 7 (2010) 377: the scatter of this estimator.
    """
    return _fit(
        least_squares, frames_dn, camera, min_flux_dn, edge_px, tolerance_px, max_iterations
    )


def poisson_fit(
    frames_dn: NDArray[np.int32],
    *,
    camera: CameraBelief,
    min_flux_dn: float,
    edge_px: float,
    tolerance_px: float = 1e-4,
    max_iterations: int = 20,
) -> SpotReading:
    """Maximum-likelihood fit of a pixel-integrated Gaussian, each pixel weighed by its noise.

    Reaches the bound. Read noise is treated as more Poisson noise: a pixel of mean mu plus its
    variance rho^2 is taken for a Poisson number of mean mu + rho^2, which has the right mean
    and variance but not the right tail. Misleads as `gaussian_fit` does, and more than that when
    `camera.gain_dn_per_e` or `camera.read_noise_e` is wrong, since the weights then are; a hot
    pixel in the dark part of the window weighs more here. Saturated pixels break the model.

    Parameters
    ----------
    frames_dn : (M, H, W) ndarray of int
        Windows as read. [DN]
    camera : CameraBelief
        All but `full_scale_dn` is used.
    min_flux_dn : float
        Least light above the background, summed over the window. [DN]
    edge_px : float
        Least distance of the reading from the outermost pixel centres. [px]
    tolerance_px : float
        Largest last step. [px]
    max_iterations : int
        Steps before a spot is given up.

    Returns
    -------
    SpotReading
        `flux_dn` is the fitted light, or the sum above the background where the fit fails.

    Raises
    ------
    ValueError
        If `frames_dn` is not (M, H, W), not of whole numbers, or smaller than 3 pixels.

    Notes
    -----
    Fisher scoring: each step solves expected information times step = score. Rounding to digital
    numbers enters as a twelfth of a squared digital number.

    References
    ----------
    .. [1] K. I. Mortensen et al., Nat. Methods 7 (2010) 377: maximum likelihood for spots.
    .. [2] F. Huang et al., Nat. Methods 10 (2013) 653: read noise as a shift of the Poisson
       variable (from memory, not checked against the paper).
    """
    return _fit(likelihood, frames_dn, camera, min_flux_dn, edge_px, tolerance_px, max_iterations)


def _fit(
    equations: Equations,
    frames_dn: NDArray[np.int32],
    camera: CameraBelief,
    min_flux_dn: float,
    edge_px: float,
    tolerance_px: float,
    max_iterations: int,
) -> SpotReading:
    """Start at the brightest place, step until every spot stands or is given up, judge."""
    frames = checked_frames(frames_dn, least_side_px=3)
    n_spots, height, width = frames.shape
    light = light_above_background(frames, camera)
    light_dn = light.sum(axis=(1, 2))
    bright = (light_dn >= min_flux_dn) & (light_dn > 0)
    charge_e = light / camera.gain_dn_per_e + camera.background_e
    noise_e2 = camera.read_noise_e**2 + 1 / (12 * camera.gain_dn_per_e**2)
    values = np.empty((n_spots, 4))
    values[:, :2] = coarse_spot(light, camera.spot_sigma_px)
    values[:, 2] = light_dn / camera.gain_dn_per_e
    values[:, 3] = camera.background_e
    moving = np.flatnonzero(bright)
    with np.errstate(all="ignore"):
        for _ in range(max_iterations):
            if moving.size == 0:
                break
            seen = charge_e if moving.size == n_spots else charge_e[moving]
            step = solved(*equations(seen, values[moving], camera.spot_sigma_px, noise_e2))
            largest_px = LARGEST_STEP_SIGMA * camera.spot_sigma_px
            step[:, :2] = np.clip(step[:, :2], -largest_px, largest_px)
            values[moving] += step
            moving = moving[~(np.abs(step[:, :2]) < tolerance_px).all(axis=1)]
    failed: Mask = ~(values[:, 2] > 0)
    failed[moving] = True
    return judged(
        values[:, :2],
        np.where(failed, light_dn, values[:, 2] * camera.gain_dn_per_e),
        light_dn=light_dn,
        shape=(height, width),
        min_flux_dn=min_flux_dn,
        edge_px=edge_px,
        failed=failed,
    )
