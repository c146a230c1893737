"""Who takes part, and with which settings: worked out from the camera, by rules that are stated."""

from collections.abc import Mapping
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.assembly.plug_ins import plug_in
from sim.camera.settings import CameraParams
from sim.estimators import ESTIMATORS, EstimatorKind
from sim.estimators.derived import (
    AREA_PART,
    HOT_NOISE,
    PEAK_FRACTION,
    REGION_NOISE,
    WEIGHT_SIGMA,
    ExpectedSpots,
)
from sim.foundations.errors import PlugInError
from sim.foundations.ports import CameraBelief, SpotReading, reading_fault
from sim.studies.estimators.clipping import (
    ExpectedFrames,
    best_threshold_dn,
    clipped_normal,
    pictured,
)

EDGE_SIGMA = 2.5
"""Distance from the edge below which readings are not trusted. [spot sigmas]"""
EDGE_ROOM_PX = 1.5
"""Room that is left about the middle of a window too small for that. [px]"""
LEAST_LIGHT = 0.25
MOST_LIGHT = 0.5
LIGHT_NOISE = 4.0
RULES = (
    f"edge_px: {EDGE_SIGMA:g} spot sigmas, less in a window too small for that.",
    f"min_flux_dn: {LIGHT_NOISE:g} standard deviations of the sum that an empty frame gives, but "
    f"at least {LEAST_LIGHT:g} and at most {MOST_LIGHT:g} of the light that the spot gives.",
    "threshold_dn: the whole number of least predicted error (bias and scatter of the clipped "
    "sums), between one noise deviation above the background and half of the peak; "
    f"for components, at least {REGION_NOISE:g} noise deviations above.",
    f"weight_sigma_px: {WEIGHT_SIGMA:g} spot sigmas.",
    f"peak_fraction: {PEAK_FRACTION:g}; hot_step_dn: the spot's own largest step between its "
    f"brightest pixels plus {HOT_NOISE:g} standard deviations there; min_area_px: "
    f"{AREA_PART:g} of the area that the spot has above the threshold.",
    "gap_px: none, or one column and row where the window's sides are odd.",
)
"""The rules in words, for the page."""


class Entrant(NamedTuple):
    """One estimator that takes part."""

    name: str
    kind: str
    part: EstimatorKind
    settings: dict[str, Any] | None
    """As the scenario gives them; None: worked out from the camera."""

    def settings_for(self, camera: CameraParams) -> dict[str, Any]:
        """Return the settings, `kind` left out, for a camera that is as it was designed."""
        return settings_of(self.part, camera) if self.settings is None else self.settings

    def read(
        self, frames_dn: NDArray[np.int32], settings: Mapping[str, Any], belief: CameraBelief
    ) -> SpotReading:
        """Return the readings of frames (M, H, W).

        Raises
        ------
        PlugInError
            If the estimator calls a reading good that is not finite, or gives no readings.
        """
        frames = frames_dn.view()
        frames.setflags(write=False)
        reading = self.part.function(frames, camera=belief, **settings)
        fault = reading_fault(reading, len(frames))
        if fault is not None:
            spot, text = fault
            where = "" if spot is None else f"spot {spot}: "
            raise PlugInError(f'estimator "{self.kind}": {where}{text}')
        return reading


def entrants(own: Mapping[str, Any], camera: CameraParams) -> tuple[Entrant, ...]:
    """Return the shipped estimators, and the scenario's own with its settings as written.

    Parameters
    ----------
    own : mapping
        The scenario's `estimator` table; "package.module:Name" runs outside code.
    camera : CameraParams
        The scenario's camera. Estimators that cannot read its windows are left out.

    Returns
    -------
    tuple of Entrant
        The scenario's own first; one from outside that works settings out from a camera takes part
        with these too.

    Raises
    ------
    ScenarioError
        If the scenario's estimator does not exist or its settings are wrong.
    """
    kind = str(own.get("kind", ""))
    found = plug_in(ESTIMATORS, own, "estimator")
    assert found.settings is not None
    settings = found.part.bound(found.settings).settings
    first = Entrant(f"{kind} (scenario)", kind, found.part, settings)
    shipped = [
        Entrant(name, name, part, None)
        for name, part in sorted(ESTIMATORS.items())
        if window_fault(part, camera) is None
    ]
    own_rules = found.outside is not None and found.part.derived is not None
    also = [Entrant(f"{kind} (derived)", kind, found.part, None)] if own_rules else []
    return (first, *also, *shipped)


def window_fault(part: EstimatorKind, camera: CameraParams) -> str | None:
    """Return why an estimator cannot read the camera's windows, or None."""
    return None if part.window_fault is None else part.window_fault(camera.window_px)


def settings_of(part: EstimatorKind, camera: CameraParams) -> dict[str, Any]:
    """Return the same for any kind: its own rules on top of those that all share."""
    picture = pictured(camera)
    room = 0.5 * (min(camera.window_px) - 1) - EDGE_ROOM_PX
    noise = picture.dark_deviation_dn * float(np.sqrt(picture.mean_dn[0].size))
    expected = ExpectedSpots(
        window_px=camera.window_px,
        spot_sigma_px=camera.spot_sigma_px,
        gain_dn_per_e=camera.gain_dn_per_e,
        dark_e=camera.background_e + camera.dark_e,
        read_noise_e=camera.read_noise_e,
        light_dn=picture.mean_dn - picture.dark_dn,
        dark_dn=picture.dark_dn,
        dark_deviation_dn=picture.dark_deviation_dn,
        best_threshold_dn=lambda: best_threshold_dn(picture),
        least_flux_dn=lambda threshold_dn: _least_flux_above(picture, threshold_dn),
    )
    shared = {
        "edge_px": max(0.0, min(EDGE_SIGMA * camera.spot_sigma_px, room)),
        "min_flux_dn": _gate(0.0, picture.light_dn, noise),
    }
    return shared | (part.derived(expected) if part.derived is not None else {})


def _least_flux_above(picture: ExpectedFrames, threshold_dn: float) -> float:
    """Gate on the light above a threshold."""
    above = clipped_normal(picture.mean_dn, picture.deviation_dn, threshold_dn)
    dark = np.full(picture.mean_dn[0].shape, picture.dark_dn)
    empty = clipped_normal(dark, np.full_like(dark, picture.dark_deviation_dn), threshold_dn)
    return _gate(
        float(empty.mean.sum()),
        float(above.mean.sum(axis=(1, 2)).min()),
        float(np.sqrt(empty.variance.sum())),
    )


def _gate(empty_dn: float, with_spot_dn: float, noise_dn: float) -> float:
    light = max(with_spot_dn - empty_dn, 1.0)
    least, most = LEAST_LIGHT * light, MOST_LIGHT * light
    return empty_dn + float(np.clip(LIGHT_NOISE * noise_dn, least, most))
