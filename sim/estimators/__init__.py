"""Spot estimators: frames in digital numbers to positions, light and status.

Each is a plain function ``f(frames_dn, *, camera, <settings>) -> SpotReading``, with a block that
holds its settings. `docs/estimators.md` says which one when.
"""

from collections.abc import Callable
from functools import partial
from typing import Final, NamedTuple

from sim.estimators.centroid import (
    ThresholdedCentroidParams,
    WeightedCentroidParams,
    thresholded_centroid,
    weighted_centroid,
)
from sim.estimators.components import ComponentsParams, components
from sim.estimators.fit import GaussianFitParams, PoissonFitParams, gaussian_fit, poisson_fit
from sim.estimators.peak import LogPeakParams, MatchedFilterParams, log_peak, matched_filter
from sim.estimators.quad_cell import QuadCellParams, quad_cell
from sim.params import Block
from sim.ports import Estimator, SpotReading


class EstimatorKind(NamedTuple):
    """An estimator and its settings; outside estimators are given as one of these too."""

    function: Callable[..., SpotReading]
    """Called as ``function(frames_dn, camera=..., **settings)``."""
    Params: type[Block]
    """Field `kind`, and one field for each of the function's settings, of the same name."""

    def bound(self, settings: Block) -> Estimator:
        """Return the function with its settings filled in."""
        return partial(self.function, **settings.model_dump(exclude={"kind"}))


ESTIMATORS: Final[dict[str, EstimatorKind]] = {
    "components": EstimatorKind(components, ComponentsParams),
    "gaussian_fit": EstimatorKind(gaussian_fit, GaussianFitParams),
    "log_peak": EstimatorKind(log_peak, LogPeakParams),
    "matched_filter": EstimatorKind(matched_filter, MatchedFilterParams),
    "poisson_fit": EstimatorKind(poisson_fit, PoissonFitParams),
    "quad_cell": EstimatorKind(quad_cell, QuadCellParams),
    "thresholded_centroid": EstimatorKind(thresholded_centroid, ThresholdedCentroidParams),
    "weighted_centroid": EstimatorKind(weighted_centroid, WeightedCentroidParams),
}
"""Name in a scenario -> estimator."""
