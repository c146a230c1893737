"""Measurement noise without images: where a table has a meaning, and the table itself."""

from typing import NamedTuple

import numpy as np
import scipy

from sim.camera.settings import Camera, CameraParams
from sim.foundations.errors import ScenarioError
from sim.foundations.ports import Array

SATURATION_SIGMAS = 5.0


class NoiseTable(NamedTuple):
    """Error of a reading as mean and square root of covariance, by the spot's place in its window.

    Nodes are a square about the window's middle; in between, values are linear.
    """

    bias_px: Array
    """(G, G, 2) mean error (x, y); first index: place along y. [px]"""
    root_px: Array
    """(G, G, 3) lower Cholesky factor (xx, yx, yy) of the covariance. [px]"""
    light_dn: float
    """Mean light of a reading. [DN]"""
    first_x_px: float
    """Place of node [0, 0] in the window, along x. [px]"""
    first_y_px: float
    """Place of node [0, 0] in the window, along y. [px]"""
    nodes_per_px: float
    reach_px: float
    """A spot farther than this from the window's middle, along x or y, is beyond the table. [px]"""


NO_TABLE = NoiseTable(np.zeros((2, 2, 2)), np.zeros((2, 2, 3)), 0.0, 0.0, 0.0, 1.0, 0.0)


def check_meaning(params: CameraParams, camera: Camera) -> None:
    """Refuse a camera for which a table by the spot's place has no meaning.

    Raises
    ------
    ScenarioError
        If pixels differ, a window sees stray light, temperature changes the image, lost spots are
        searched for, or the brightest pixel comes near saturation.
    """
    for bad, why in (
        (params.patterned, "pixels differ"),
        (params.stray, "windows see stray light"),
        (params.dark_e_per_s > 0 or params.defocus_px_per_k > 0, "the image changes with warmth"),
        (params.search_after_frames is not None, "a search needs images"),
    ):
        if bad:
            raise meaningless(why)
    share = float(scipy.special.erf(0.5 / (np.sqrt(2.0) * camera.sigma_px)) ** 2)
    mean_e = camera.background_e + camera.signal_e * share
    peak_e = mean_e + SATURATION_SIGMAS * np.sqrt(mean_e + camera.read_noise_e**2)
    full_e = min(
        camera.full_well_e, (camera.full_scale_dn - camera.black_dn) / camera.gain_dn_per_e
    )
    if peak_e >= full_e:
        raise meaningless(
            f"the brightest pixel reaches {peak_e:.0f} e- with its noise, and saturates at "
            f"{full_e:.0f} e-"
        )


def meaningless(why: str) -> ScenarioError:
    """Return the refusal of `equivalent` noise."""
    return ScenarioError(f'camera.noise: "equivalent" has no meaning here: {why}; use "fast"')
