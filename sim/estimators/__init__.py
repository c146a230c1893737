"""Spot estimators: frames in digital numbers to positions, light and status.

Each is a plain function ``f(frames_dn, *, camera, <settings>) -> SpotReading``, with a block that
holds its settings. `docs/estimators.md` says which one when.
"""

from collections.abc import Callable
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.estimators.centroid import (
    ThresholdedCentroidParams,
    WeightedCentroidParams,
    thresholded_centroid,
    thresholded_sums,
    weighted_centroid,
)
from sim.estimators.components import ComponentsParams, components
from sim.estimators.cost import (
    Cost,
    components_cost,
    gaussian_fit_cost,
    log_peak_cost,
    matched_filter_cost,
    poisson_fit_cost,
    quad_cell_cost,
    thresholded_centroid_cost,
    weighted_centroid_cost,
)
from sim.estimators.derived import (
    Derived,
    components_settings,
    quad_cell_settings,
    quad_cell_window,
    thresholded_centroid_settings,
    weighted_centroid_settings,
)
from sim.estimators.fit import GaussianFitParams, PoissonFitParams, gaussian_fit, poisson_fit
from sim.estimators.peak import LogPeakParams, MatchedFilterParams, log_peak, matched_filter
from sim.estimators.quad_cell import QuadCellParams, quad_cell
from sim.foundations.errors import nearest
from sim.foundations.kinds.registry import Registry, params_fault
from sim.foundations.params import Block
from sim.foundations.ports import CameraBelief, PixelSums, SpotReading


class EstimatorKind(NamedTuple):
    """An estimator and its settings; outside estimators are given as one of these too."""

    function: Callable[..., SpotReading]
    """Called as ``function(frames_dn, camera=..., **settings)``."""
    Params: type[Block]
    """One field for each of the function's settings, of the same name; `kind` besides."""
    pixel_sums: Callable[[Any], PixelSums] | None = None
    """Given the settings: what the fused loop needs to read spots by itself, without frames in
    between. It must give what the function gives, bit for bit."""
    cost: Callable[[int, int], Cost] | None = None
    """Given a window's height and width [px]: what the firmware pays for a spot."""
    derived: Derived | None = None
    """Works settings out from what a camera is expected to show, where the user gives none."""
    window_fault: Callable[[tuple[int, int]], str | None] | None = None
    """Given the window (H, W) [px]: why it cannot be read, or None."""

    def bound(self, settings: Block, kind: str = "estimator") -> "BoundEstimator":
        """Return the function with its settings filled in; `kind` names it in messages."""
        own = {name: value for name, value in settings if name != "kind"}
        return BoundEstimator(kind, self.function, own)


class BoundEstimator(NamedTuple):
    """An estimator with its settings filled in."""

    kind: str
    function: Callable[..., SpotReading]
    settings: dict[str, Any]

    def __call__(self, frames_dn: NDArray[np.int32], *, camera: CameraBelief) -> SpotReading:
        """Return the spot of each frame."""
        return self.function(frames_dn, camera=camera, **self.settings)


def _fault(part: object) -> str | None:
    if not isinstance(part, EstimatorKind):
        return "it is no EstimatorKind(function, Params)"
    if not callable(part.function):
        return "its function cannot be called"
    return params_fault(part)


ESTIMATORS: Final[Registry[EstimatorKind]] = Registry(
    "estimator",
    "estimator",
    {
        "components": EstimatorKind(
            components, ComponentsParams, cost=components_cost, derived=components_settings
        ),
        "gaussian_fit": EstimatorKind(gaussian_fit, GaussianFitParams, cost=gaussian_fit_cost),
        "log_peak": EstimatorKind(log_peak, LogPeakParams, cost=log_peak_cost),
        "matched_filter": EstimatorKind(
            matched_filter, MatchedFilterParams, cost=matched_filter_cost
        ),
        "poisson_fit": EstimatorKind(poisson_fit, PoissonFitParams, cost=poisson_fit_cost),
        "quad_cell": EstimatorKind(
            quad_cell,
            QuadCellParams,
            cost=quad_cell_cost,
            derived=quad_cell_settings,
            window_fault=quad_cell_window,
        ),
        "thresholded_centroid": EstimatorKind(
            thresholded_centroid,
            ThresholdedCentroidParams,
            pixel_sums=thresholded_sums,
            cost=thresholded_centroid_cost,
            derived=thresholded_centroid_settings,
        ),
        "weighted_centroid": EstimatorKind(
            weighted_centroid,
            WeightedCentroidParams,
            cost=weighted_centroid_cost,
            derived=weighted_centroid_settings,
        ),
    },
    _fault,
)
"""Name in a scenario -> estimator."""


def firmware_cost(name: str, window: tuple[int, int]) -> Cost:
    """Return arithmetic and memory per spot of an estimator.

    Misleads as any count does: it knows nothing of vector units, caches or memory bandwidth.
    Use it to rank, then measure.

    Parameters
    ----------
    name : str
        A shipped estimator.
    window : (int, int)
        Window (H, W). [px]

    Returns
    -------
    Cost
        Multiply-adds, and bytes beyond the code itself.

    Raises
    ------
    ValueError
        If the estimator is unknown or the window has no pixels.

    Notes
    -----
    With P = H W pixels, S = H + W, f = `FUNCTION_COST`, k iterations:

    - thresholded centroid: subtract, clip, three sums: 5 P; 2 divisions. Three exact sums.
    - quad cell: one sum, 1 P; background, four differences, 2 divisions and 2 inverse error
      functions. Four sums.
    - log peak: one compare, 1 P; 6 logarithms, 2 divisions, 12 more. Keeps three rows, since the
      row below the peak must still come and the row above it has gone by.
    - matched filter: profile of the spot along rows then along columns, each cut at 2 R + 1 = 13
      taps: 26 P, compare P; then as log peak. Keeps the frame as read and its correlation.
    - weighted centroid: matched filter's start (27 P), then k times: weights 2 S exponentials'
      arguments and values, S (f + 3); row sums 2 P; column sums 3 H; two divisions. Keeps the frame
      and 2 S weights.
    - Gaussian fit: start 27 P, then k times: profile and slope, S (2 f + 4); row sums of two
      functions and one plain sum, 3 P; column sums 4 H; 9 products of axis functions, 9 S; a 4 x 4
      system. Keeps frame and 2 S functions.
    - Poisson fit: start 27 P, then k times: profile and slope; model 2 P, one division f P, excess
      2 P; row sums of weight with six products and of excess with three functions, 9 P; column
      sums 12 H; a 4 x 4 system. Keeps frame and 2 S functions, one row of weights.
    - components: ring maximum 8 P, median of hot suspects (few, left out), subtract and clip 2 P,
      peak P, two passes of labels with four neighbours each 8 P, table look-up P, statistics 8 P;
      2 divisions. Keeps the frame, a 1-byte label per pixel, and ten numbers for each of at most
      P / 4 regions.
    """
    if name not in ESTIMATORS:
        raise ValueError(f'unknown estimator "{name}".{nearest(name, ESTIMATORS)}')
    height, width = window
    if height < 1 or width < 1:
        raise ValueError(f"window must have pixels, got {window}")
    count = ESTIMATORS[name].cost
    assert count is not None, "every shipped estimator has its count"
    return count(height, width)
