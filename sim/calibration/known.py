"""Beliefs to compare with: everything known exactly, the data sheet alone, and mixtures."""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from sim.calibration.procedure import SENSORS, Cameras
from sim.calibration.results import (
    FORMAT,
    Beliefs,
    CalibrationResults,
    MirrorResults,
    SensorResults,
)
from sim.calibration.settings import CalibrationParams
from sim.camera.pixel_correction import PixelMaps
from sim.foundations.ports import Array
from sim.mirror.population import Population

GROUPS: Final[dict[str, tuple[str, ...]]] = {
    "pixels": (),
    "system gain": ("black_dn", "gain_dn_per_e", "read_noise_e"),
    "camera map": ("scale_px_per_mrad", "rotation_mrad", "distortion_pct"),
    "actuators": ("gain", "cross_axis"),
}
"""What a calibration consists of, and the numbers that each part gives; pixels are maps."""


def calibration_results(
    cameras: Cameras, population_seed: int, sensors: list[dict[str, float]],
    bad: NDArray[np.bool_], mirrors: NDArray[np.int64], gain: Array, cross_axis: Array,
    flux_dn: Array,
) -> CalibrationResults:  # fmt: skip
    """Return the results as the firmware loads them."""
    return CalibrationResults(
        format=FORMAT,
        population_seed=population_seed,
        sensor_px=cameras.layout.shape,
        sensors=tuple(
            SensorResults(**each, bad_px=tuple((int(x), int(y)) for y, x in np.argwhere(bad[k])))
            for k, each in enumerate(sensors)
        ),
        mirrors=tuple(
            MirrorResults(
                mirror=int(m), gain=tuple(gain[i]), cross_axis=tuple(cross_axis[i]),
                flux_dn=float(flux_dn[i]),
            )
            for i, m in enumerate(mirrors)
        ),
    )  # fmt: skip


def exact_beliefs(
    cameras: Cameras, population_seed: int, mirrors: NDArray[np.int64], population: Population,
    lens: tuple[float, float], flux_dn: Array,
) -> Beliefs:  # fmt: skip
    """Return the beliefs of a firmware that knows everything; the light of spots as measured."""
    params = cameras.params
    sensor = {
        "black_dn": params.black_dn + params.gain_dn_per_e * params.dark_e,
        "gain_dn_per_e": params.gain_dn_per_e,
        "read_noise_e": float(np.hypot(params.read_noise_e, np.sqrt(params.dark_e))),
        "scale_px_per_mrad": params.scale_px_per_mrad,
        "rotation_mrad": lens[0], "distortion_pct": lens[1],
    }  # fmt: skip
    parts = [cameras.pattern_of(k) for k in SENSORS]
    response, dark, offset = (np.stack(part) for part in zip(*parts, strict=True))
    hot = dark > params.dark_e + 0.5 * params.hot_e if params.hot_e else np.zeros_like(dark, bool)
    bad = hot | (response < 0.5)
    results = calibration_results(
        cameras, population_seed, [sensor, sensor], bad, mirrors, population.gain_ratio,
        population.cross_axis, flux_dn,
    )  # fmt: skip
    level = params.gain_dn_per_e * (dark - params.dark_e + offset)
    mean = float(response[~bad].mean())
    maps = PixelMaps(
        bad, level.astype(np.float32), np.where(bad, 1.0, response / mean).astype(np.float32)
    )
    return Beliefs(results, maps)


def data_sheet_beliefs(cameras: Cameras, settings: CalibrationParams, measured: Beliefs) -> Beliefs:
    """Return the beliefs of a firmware that has nothing but data sheets.

    Scale and system gain are off by their tolerances, the picture is taken to be square and
    straight, drives nominal and without coupling, pixels alike. The light of spots stays.
    """
    params = cameras.params
    sensor = SensorResults(
        black_dn=params.black_dn,
        gain_dn_per_e=params.gain_dn_per_e * (1.0 + 0.01 * settings.gain_tolerance_pct),
        read_noise_e=params.read_noise_e,
        scale_px_per_mrad=params.scale_px_per_mrad * (1.0 + 0.01 * settings.scale_tolerance_pct),
        rotation_mrad=0.0, distortion_pct=0.0, bad_px=(),
    )  # fmt: skip
    mirrors = tuple(
        each.replace(gain=(1.0, 1.0), cross_axis=(0.0, 0.0)) for each in measured.results.mirrors
    )
    results = measured.results.replace(sensors=(sensor, sensor), mirrors=mirrors)
    return Beliefs(results, None)


def mixed(most: Beliefs, other: Beliefs, group: str) -> Beliefs:
    """Return `most`, with one of `GROUPS` taken from `other`."""
    names = GROUPS[group]
    sensors = tuple(
        one.replace(**{n: getattr(two, n) for n in names if n in type(one).model_fields})
        if group != "pixels" else one.replace(bad_px=two.bad_px)
        for one, two in zip(most.results.sensors, other.results.sensors, strict=True)
    )  # fmt: skip
    mirrors = tuple(
        one.replace(**{n: getattr(two, n) for n in names if n in type(one).model_fields})
        for one, two in zip(most.results.mirrors, other.results.mirrors, strict=True)
    )
    results = most.results.replace(sensors=sensors, mirrors=mirrors)
    return Beliefs(results, other.maps if group == "pixels" else most.maps)
