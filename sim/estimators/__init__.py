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
from sim.estimators.fit import GaussianFitParams, PoissonFitParams, gaussian_fit, poisson_fit
from sim.estimators.peak import LogPeakParams, MatchedFilterParams, log_peak, matched_filter
from sim.estimators.quad_cell import QuadCellParams, quad_cell
from sim.params import Block
from sim.ports import CameraBelief, PixelSums, SpotReading
from sim.registry import Registry, params_fault


class EstimatorKind(NamedTuple):
    """An estimator and its settings; outside estimators are given as one of these too."""

    function: Callable[..., SpotReading]
    """Called as ``function(frames_dn, camera=..., **settings)``."""
    Params: type[Block]
    """One field for each of the function's settings, of the same name; `kind` besides."""
    pixel_sums: Callable[[Any], PixelSums] | None = None
    """Given the settings: what the fused loop needs to read spots by itself, without frames in
    between. It must give what the function gives, bit for bit."""

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
        "components": EstimatorKind(components, ComponentsParams),
        "gaussian_fit": EstimatorKind(gaussian_fit, GaussianFitParams),
        "log_peak": EstimatorKind(log_peak, LogPeakParams),
        "matched_filter": EstimatorKind(matched_filter, MatchedFilterParams),
        "poisson_fit": EstimatorKind(poisson_fit, PoissonFitParams),
        "quad_cell": EstimatorKind(quad_cell, QuadCellParams),
        "thresholded_centroid": EstimatorKind(
            thresholded_centroid, ThresholdedCentroidParams, thresholded_sums
        ),
        "weighted_centroid": EstimatorKind(weighted_centroid, WeightedCentroidParams),
    },
    _fault,
)
"""Name in a scenario -> estimator."""
