"""What a calibration leaves to the firmware: one file of numbers, and one of arrays."""

import json
from typing import Annotated, Final, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from sim.camera.pixel_correction import PixelMaps
from sim.camera.sensor import Layout
from sim.foundations.errors import ProfileError
from sim.foundations.params import Block, between
from sim.foundations.ports import Array

FORMAT: Final = "mirrorloop calibration 1"
Pixel = Annotated[int, Field(ge=0, le=1_000_000)]
Relative = Annotated[float, between(0.2, 5.0)]
Cross = Annotated[float, between(-0.5, 0.5)]


class SensorResults(Block):
    """What is believed of one camera."""

    black_dn: Annotated[float, between(0.0, 65_535.0)]
    """Mean level in the dark, dark signal of the exposure in it. [DN]"""
    gain_dn_per_e: Annotated[float, between(1e-6, 1e7)]
    """System gain K. [DN/e-]"""
    read_noise_e: Annotated[float, between(0.0, 1e5)]
    """Temporal noise in the dark, without quantisation. [e- rms]"""
    scale_px_per_mrad: Annotated[float, between(1e-3, 1e4)]
    """Movement of a spot per mechanical tilt. [px/mrad]"""
    rotation_mrad: Annotated[float, between(-200.0, 200.0)]
    """Turn of the picture on the sensor. [mrad]"""
    distortion_pct: Annotated[float, between(-30.0, 30.0)]
    """Radial distortion at the sensor's corner. [%]"""
    bad_px: tuple[tuple[Pixel, Pixel], ...]
    """(column, row) of the pixels that are not used. [px]"""


class MirrorResults(Block):
    """What is believed of one mirror."""

    mirror: Annotated[int, Field(ge=0)]
    """Number in the switch. [-]"""
    gain: tuple[Relative, Relative]
    """Tilt per volt over that of the nominal drive, (x, y). [-]"""
    cross_axis: tuple[Cross, Cross]
    """Share of the other axis' drive, (y into x, x into y). [-]"""
    flux_dn: Annotated[float, between(0.0, 1e12)]
    """Light of the spot, as the estimator sums it. [DN]"""


class CalibrationResults(Block):
    """All numbers that a firmware goes by after it was calibrated; the file is this, in JSON."""

    format: Literal["mirrorloop calibration 1"]
    """Name of the form. [-]"""
    population_seed: Annotated[int, Field(ge=0)]
    """Names the switch that was calibrated. [-]"""
    sensor_px: tuple[Pixel, Pixel]
    """Size of each sensor, (height, width). [px]"""
    sensors: tuple[SensorResults, ...]
    """Of array A, then of array B. [-]"""
    mirrors: tuple[MirrorResults, ...]
    """One for each mirror. [-]"""


class Beliefs(NamedTuple):
    """What the firmware of a run goes by."""

    results: CalibrationResults
    maps: PixelMaps | None
    """By which windows are corrected; None: not at all."""

    def of_sensors(self, name: str) -> Array:
        """Return one number of each sensor, (S,)."""
        return np.array([getattr(sensor, name) for sensor in self.results.sensors])

    def of_mirrors(self, name: str, mirrors: NDArray[np.int64]) -> Array:
        """Return one number or pair of each of these mirrors, (M,) or (M, 2).

        Raises
        ------
        ProfileError
            If one of them was not calibrated.
        """
        known = {each.mirror: getattr(each, name) for each in self.results.mirrors}
        for mirror in mirrors:
            if int(mirror) not in known:
                raise ProfileError(
                    f"calibration.results: mirrors: mirror {int(mirror)} of the scenario was not "
                    "calibrated"
                )
        return np.array([known[int(mirror)] for mirror in mirrors])


def maps_of(
    results: CalibrationResults, layout: Layout, arrays: dict[str, NDArray[np.float32]] | None
) -> PixelMaps:
    """Return the maps of pixels: those that are bad, and dark level and response where known.

    Parameters
    ----------
    results : CalibrationResults
        For the bad pixels.
    layout : Layout
        Size of the sensors.
    arrays : dict, optional
        ``dark_dn`` and ``response``, (S, H, W) each.
    """
    bad = np.zeros((len(results.sensors), *layout.shape), bool)
    for k, sensor in enumerate(results.sensors):
        if sensor.bad_px:
            x, y = np.array(sensor.bad_px).T
            bad[k, y, x] = True
    if arrays is None:
        return PixelMaps(bad, None, None)
    return PixelMaps(bad, arrays["dark_dn"], arrays["response"])


def results_json(results: CalibrationResults) -> str:
    """Return the text of the file, a line for each sensor and mirror."""
    tree = results.model_dump(mode="json")
    lists = {key: tree.pop(key) for key in ("sensors", "mirrors")}
    head = json.dumps(tree, indent=1)[:-2]
    for key, rows in lists.items():
        lines = ",\n  ".join(json.dumps(row) for row in rows)
        head += f',\n "{key}": [\n  {lines}\n ]'
    return head + "\n}\n"
