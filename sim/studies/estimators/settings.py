"""Who takes part, and with which settings: worked out from the camera, by rules that are stated."""

from collections.abc import Mapping
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.assembly.plug_ins import plug_in
from sim.camera.settings import CameraParams, believed, make_camera
from sim.errors import PlugInError
from sim.estimators import ESTIMATORS, EstimatorKind
from sim.ports import CameraBelief, SpotReading, reading_fault
from sim.studies.estimators.clipping import Picture, best_threshold_dn, clipped_normal, pictured

EDGE_SIGMA = 2.5
"""Distance from the rim below which answers are not trusted. [spot sigmas]"""
EDGE_ROOM_PX = 1.5
"""Room that is left about the middle of a window too small for that. [px]"""
LEAST_LIGHT = 0.25
MOST_LIGHT = 0.5
LIGHT_NOISE = 4.0
WEIGHT_SIGMA = 1.3
PEAK_FRACTION = 0.15
HOT_NOISE = 6.0
AREA_PART = 0.25
REGION_NOISE = 2.0
"""Lower, and the noise of the dark joins the regions up. [noise deviations]"""
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
        return derived_settings(self.kind, camera) if self.settings is None else self.settings

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


def camera_belief(camera: CameraParams) -> CameraBelief:
    """Return what the firmware is told of a camera."""
    return believed(make_camera(camera), camera.dark_e)


def entrants(own: Mapping[str, Any], camera: CameraParams) -> tuple[Entrant, ...]:
    """Return the shipped estimators, and the scenario's own with its settings as written.

    Parameters
    ----------
    own : mapping
        The scenario's `estimator` table; "package.module:Name" runs outside code.
    camera : CameraParams
        The scenario's camera. The quad cell needs sides that are both even or both odd, and is
        left out otherwise.

    Returns
    -------
    tuple of Entrant
        The scenario's own first.

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
    height, width = camera.window_px
    shipped = [
        Entrant(name, name, part, None)
        for name, part in sorted(ESTIMATORS.items())
        if name != "quad_cell" or (height - width) % 2 == 0
    ]
    return (first, *shipped)


def derived_settings(kind: str, camera: CameraParams) -> dict[str, Any]:
    """Return the settings of a shipped estimator for a camera, by `RULES`.

    Parameters
    ----------
    kind : str
        A shipped estimator.
    camera : CameraParams
        The camera that it is set up for; `signal_e` is the light that is expected.

    Returns
    -------
    dict
        Keyword arguments of the estimator.
    """
    picture = pictured(camera)
    room = 0.5 * (min(camera.window_px) - 1) - EDGE_ROOM_PX
    settings: dict[str, Any] = {"edge_px": max(0.0, min(EDGE_SIGMA * camera.spot_sigma_px, room))}
    if kind in ("thresholded_centroid", "components"):
        threshold = best_threshold_dn(picture)
        if kind == "components":
            clear = picture.dark_dn + REGION_NOISE * picture.dark_deviation_dn
            threshold = max(threshold, int(np.ceil(clear)))
        settings["threshold_dn"] = threshold
        settings["min_flux_dn"] = _least_flux_above(picture, float(threshold))
    else:
        noise = picture.dark_deviation_dn * float(np.sqrt(picture.mean_dn[0].size))
        settings["min_flux_dn"] = _gate(0.0, picture.light_dn, noise)
    if kind == "components":
        settings |= _components_settings(picture, threshold, camera)
    elif kind == "weighted_centroid":
        settings["weight_sigma_px"] = WEIGHT_SIGMA * camera.spot_sigma_px
    elif kind == "quad_cell":
        settings["gap_px"] = camera.window_px[0] % 2
    return settings


def _components_settings(
    picture: Picture, threshold_dn: int, camera: CameraParams
) -> dict[str, Any]:
    """What sorts the regions; see `RULES`."""
    light = picture.mean_dn - picture.dark_dn
    flat = np.sort(light.reshape(len(light), -1), axis=1)
    peak = float(flat[:, -1].max())
    deviation = camera.gain_dn_per_e * np.sqrt(
        peak / camera.gain_dn_per_e + camera.background_e + camera.dark_e + camera.read_noise_e**2
    )
    step = float((flat[:, -1] - flat[:, -2]).max())
    limit = max(threshold_dn - picture.dark_dn, PEAK_FRACTION * peak)
    area = int((light > limit).sum(axis=(1, 2)).min())
    return {
        "peak_fraction": PEAK_FRACTION,
        "hot_step_dn": step + HOT_NOISE * float(deviation),
        "min_area_px": max(1, int(AREA_PART * area)),
    }


def _least_flux_above(picture: Picture, threshold_dn: float) -> float:
    """Gate on the light above a threshold."""
    lit = clipped_normal(picture.mean_dn, picture.deviation_dn, threshold_dn)
    dark = np.full(picture.mean_dn[0].shape, picture.dark_dn)
    empty = clipped_normal(dark, np.full_like(dark, picture.dark_deviation_dn), threshold_dn)
    return _gate(
        float(empty.mean.sum()),
        float(lit.mean.sum(axis=(1, 2)).min()),
        float(np.sqrt(empty.variance.sum())),
    )


def _gate(empty_dn: float, lit_dn: float, noise_dn: float) -> float:
    light = max(lit_dn - empty_dn, 1.0)
    least, most = LEAST_LIGHT * light, MOST_LIGHT * light
    return empty_dn + float(np.clip(LIGHT_NOISE * noise_dn, least, most))
