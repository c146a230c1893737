"""Quad cell: four sums and the curve that turns their balance into a position."""

from typing import Annotated, Literal

import numpy as np
import scipy
from numpy.typing import ArrayLike, NDArray
from pydantic import Field

from sim.estimators.reading import checked_frames, judged, light_above_background
from sim.estimators.settings import SpotSettings
from sim.foundations.ports import Array, CameraBelief, SpotReading

NEWTON_STEPS = 8
"""Enough for the worst gap and ratio; see the test of the inverse."""


class QuadCellParams(SpotSettings):
    """Balance of the window's halves, read back through the spot's own curve.

    Valid for a spot in the middle of an even window, and imbalances up to `max_ratio`: the
    curve that it is read back through is that of a Gaussian spot of the designed width.
    """

    kind: Literal["quad_cell"]
    """Name of this estimator. [-]"""
    gap_px: Annotated[int, Field(ge=0, le=254)] = 0
    """Columns and rows left out in the middle; must leave two equal halves. [px]"""
    max_ratio: Annotated[float, Field(gt=0, lt=1)] = 0.99
    """Larger imbalances are FAILED: the curve is too flat to be read there. [-]"""


def offset_from_balance(ratio: ArrayLike, half_gap_sigma: float = 0.0) -> Array:
    """Return the offset over sigma of a Gaussian spot whose halves are out of balance by a ratio.

    The ratio is (right - left) / (right + left): erf(offset / sqrt 2) without a gap. A gap of twice
    `half_gap_sigma` between the halves makes that curve steeper. NaN outside (-1, 1).

    With a gap, Newton's method on the logarithm of right over left. That is odd and, on the
    positive side, rising and convex (Mills' ratio is convex: M. R. Sampford, Ann. Math. Statist.
    24 (1953) 130), and the reading without a gap is never below the one with it; from there every
    step goes the right way.
    """
    size = np.abs(np.asarray(ratio, dtype=np.float64))
    size = np.where(size < 1, size, np.nan)
    offset = np.sqrt(2.0) * scipy.special.erfinv(size)
    if half_gap_sigma > 0:
        wanted = 2.0 * np.arctanh(size)
        for _ in range(NEWTON_STEPS):
            slope = _mills(offset - half_gap_sigma) + _mills(-offset - half_gap_sigma)
            offset = offset - (_log_odds(offset, half_gap_sigma) - wanted) / slope
    return np.copysign(offset, ratio)


def quad_cell(
    frames_dn: NDArray[np.int32],
    *,
    camera: CameraBelief,
    min_flux_dn: float,
    edge_px: float,
    gap_px: int = 0,
    max_ratio: float = 0.99,
) -> SpotReading:
    """Position from the balance of the window's halves, for a spot near its middle.

    Needs four sums and no pixels, but reads only about two and a half sigma to either side of
    the middle, and its scale hangs on `camera.spot_sigma_px`: a spot that is 10 % wider than
    believed reads 10 % short. A wrong background pulls towards the middle. All light in the
    window counts, also a ghost's or a neighbour's, at the full weight of its light.

    Parameters
    ----------
    frames_dn : (M, H, W) ndarray of int
        Windows as read. [DN]
    camera : CameraBelief
        Black level, background and spot width are used.
    min_flux_dn : float
        Least light above the background, summed over the four cells. [DN]
    edge_px : float
        Least distance of the reading from the outermost pixel centres. [px]
    gap_px : int
        Columns and rows left out in the middle. [px]
    max_ratio : float
        Largest imbalance that is still read. [-]

    Returns
    -------
    SpotReading
        `flux_dn` is the light above the background, summed over the four cells.

    Raises
    ------
    ValueError
        If `frames_dn` is not (M, H, W), not of whole numbers, or `gap_px` does not leave two
        equal halves.
    """
    frames = checked_frames(frames_dn, least_side_px=2)
    _, height, width = frames.shape
    for side in (width, height):
        if (side - gap_px) % 2 or gap_px >= side:
            raise ValueError(f"gap_px must leave two equal halves of {side} pixels, got {gap_px}")
    light = light_above_background(frames, camera)
    half_x, half_y = (width - gap_px) // 2, (height - gap_px) // 2
    top, bottom = light[:, :half_y].sum(axis=1), light[:, -half_y:].sum(axis=1)
    top_left, top_right = top[:, :half_x].sum(axis=1), top[:, -half_x:].sum(axis=1)
    bottom_left, bottom_right = bottom[:, :half_x].sum(axis=1), bottom[:, -half_x:].sum(axis=1)
    total = top_left + top_right + bottom_left + bottom_right
    excess_x = top_right + bottom_right - top_left - bottom_left
    excess_y = bottom_left + bottom_right - top_left - top_right
    sigma_px = camera.spot_sigma_px
    with np.errstate(all="ignore"):
        excess = np.stack([excess_x, excess_y], axis=-1)
        ratio = excess / np.where(total > 0, total, np.nan)[:, None]
        ratio = np.where(np.abs(ratio) <= max_ratio, ratio, np.nan)
        offset_px = sigma_px * offset_from_balance(ratio, 0.5 * gap_px / sigma_px)
    return judged(
        offset_px + 0.5 * np.array([width - 1, height - 1]),
        total,
        light_dn=total,
        shape=(height, width),
        min_flux_dn=min_flux_dn,
        edge_px=edge_px,
    )


def _log_odds(offset: Array, half_gap: float) -> Array:
    """Return the logarithm of right over left."""
    return scipy.special.log_ndtr(offset - half_gap) - scipy.special.log_ndtr(-offset - half_gap)


def _mills(z: Array) -> Array:
    """Return the normal density over the normal distribution function."""
    return np.exp(-0.5 * z**2 - scipy.special.log_ndtr(z)) / np.sqrt(2.0 * np.pi)
