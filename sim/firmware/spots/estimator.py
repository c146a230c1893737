"""From an estimator of the scenario to the same one in whole numbers."""

from collections.abc import Callable
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.estimators.centroid import thresholded_centroid, weighted_centroid
from sim.estimators.components import components
from sim.estimators.fit import gaussian_fit, poisson_fit
from sim.estimators.peak import log_peak, matched_filter
from sim.estimators.quad_cell import quad_cell
from sim.firmware.settings import EstimatorArithmetic
from sim.firmware.spots.gaussian_fit import (
    gaussian_fit_ranges,
    gaussian_fit_words,
    read_gaussian_fit,
)
from sim.firmware.spots.peak import (
    log_peak_ranges,
    log_peak_words,
    matched_filter_ranges,
    matched_filter_words,
    read_peak,
)
from sim.firmware.spots.quad_cell import quad_cell_ranges, quad_cell_words, read_quad_cell
from sim.firmware.spots.sums import SumRange
from sim.firmware.spots.thresholded_centroid import (
    read_thresholded_centroid,
    thresholded_centroid_ranges,
    thresholded_centroid_words,
)
from sim.firmware.spots.verdict import SpotWords
from sim.firmware.spots.weighted_centroid import (
    read_weighted_centroid,
    weighted_centroid_ranges,
    weighted_centroid_words,
)
from sim.foundations.ports import CameraBelief, SpotReading, SpotStatus


class FixedForm(NamedTuple):
    """An estimator in whole numbers."""

    words: Callable[..., Any]
    """(settings, arithmetic, window_px, camera) -> the record of its constants."""
    read: Callable[[NDArray[np.int32], Any], SpotWords]
    """(pixels, constants) -> words of positions, and status."""
    ranges: Callable[..., tuple[SumRange, ...]]
    """As `words`: how far its sums can go, whatever the frame."""
    tables: bool = False
    """Whether it looks weights or profiles up in tables of `table_bits`."""


FIXED_FORMS: Final[dict[Callable[..., SpotReading], FixedForm]] = {
    gaussian_fit: FixedForm(gaussian_fit_words, read_gaussian_fit, gaussian_fit_ranges, True),
    log_peak: FixedForm(log_peak_words, read_peak, log_peak_ranges),
    matched_filter: FixedForm(matched_filter_words, read_peak, matched_filter_ranges, True),
    quad_cell: FixedForm(quad_cell_words, read_quad_cell, quad_cell_ranges),
    thresholded_centroid: FixedForm(
        thresholded_centroid_words, read_thresholded_centroid, thresholded_centroid_ranges
    ),
    weighted_centroid: FixedForm(
        weighted_centroid_words, read_weighted_centroid, weighted_centroid_ranges, True
    ),
}
"""Estimator in floating point -> the same in whole numbers."""
WHY_NONE: Final[dict[Callable[..., SpotReading], str]] = {
    components: "it follows regions over the frame, so its time depends on the picture",
    poisson_fit: "it divides by the variance of each pixel, anew in each step",
}
"""Estimator in floating point -> why it has no form in whole numbers."""


class FixedEstimator:
    """An estimator in whole numbers, as the loop calls it."""

    def __init__(
        self, function: Callable[..., SpotReading], settings: Any, arithmetic: EstimatorArithmetic,
        *, kind: str, window_px: tuple[int, int], camera: CameraBelief,
    ) -> None:  # fmt: skip
        """Put an estimator into words.

        Parameters
        ----------
        function : callable
            One of `FIXED_FORMS`.
        settings : Block
            Its settings.
        arithmetic : EstimatorArithmetic
            Word lengths, rounding, division.
        kind : str
            Name of the estimator, for messages.
        window_px : (int, int)
            (H, W). [px]
        camera : CameraBelief
            What the firmware assumes about its camera.

        Raises
        ------
        ValueError
            If a word is too short; the message says which, and by how much.
        """
        form = FIXED_FORMS[function]
        self.kind = kind
        self.form = form
        self.words = form.words(settings, arithmetic, window_px, camera)
        self.ranges = form.ranges(settings, arithmetic, window_px, camera)

    def read(self, pixels_dn: NDArray[np.int32]) -> SpotWords:
        """Return words of positions and status of frames (M, H, W) [DN]."""
        return self.form.read(pixels_dn, self.words)

    def __call__(self, frames_dn: NDArray[np.int32], *, camera: CameraBelief) -> SpotReading:
        """Return the spot of each frame; the camera is the one that the words were made for."""
        return reading_of(self.read(frames_dn), self.words.verdict)


def reading_of(found: SpotWords, verdict: Any) -> SpotReading:
    """Return words as a reading in window pixels, from the centre of pixel [0, 0]; exact."""
    middle_px = 0.5 * np.array([verdict.width - 1, verdict.height - 1])
    ok = (found.status == SpotStatus.OK)[:, None]
    spot_px = np.where(ok, middle_px + verdict.position.value(found.position), np.nan)
    return SpotReading(spot_px, np.ldexp(found.light, -verdict.light_fraction), found.status)
