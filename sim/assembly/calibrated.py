"""A calibration that a scenario names: read, checked against the switch, and believed."""

import json
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from sim.calibration.results import Beliefs, CalibrationResults, maps_of
from sim.camera.lens import Lens, lens_of
from sim.camera.sensor import Layout
from sim.camera.settings import CameraParams, nominal_belief
from sim.camera.spot_guard import SpotGuard
from sim.foundations.errors import ProfileError, ScenarioError
from sim.foundations.files.arrays import read_npz
from sim.foundations.files.reading import read_text
from sim.foundations.ports import CameraBelief
from sim.mirror.population import Population
from sim.scenario.check import check_block
from sim.scenario.model import Scenario

LARGEST_MB: Final = 50.0
MAPS: Final = ("dark_dn", "response")


def beliefs_of(scenario: Scenario, layout: Layout) -> Beliefs | None:
    """Return what the firmware of a scenario goes by; None if it is not calibrated.

    Raises
    ------
    ScenarioError, ProfileError
        If a file cannot be read, holds something else, or is of another switch.
    """
    asked = scenario.calibration
    if asked is None or asked.results is None:
        if asked is not None and asked.maps is not None:
            raise ScenarioError("calibration.maps: needs calibration.results beside it")
        return None
    path = asked.results
    text = read_text(Path(path), fault=ProfileError, largest_mb=LARGEST_MB)
    try:
        tree = json.loads(text, parse_constant=_no_number)
    except (ValueError, RecursionError) as exc:
        raise ProfileError(f"{path}: is no JSON that can be read") from exc
    if not isinstance(tree, dict):
        raise ProfileError(f"{path}: must hold the results of a calibration, as `calibrate` writes")
    try:
        results = check_block(CalibrationResults, tree, path)
    except ScenarioError as exc:
        raise ProfileError(str(exc)) from exc
    _check_fit(path, results, scenario, layout)
    return Beliefs(results, maps_of(results, layout, _maps(asked.maps, results, layout)))


def _no_number(name: str) -> Any:
    raise ValueError(name)


def _check_fit(
    path: str, results: CalibrationResults, scenario: Scenario, layout: Layout
) -> None:
    """Refuse results of another switch, or another sensor."""
    if results.population_seed != scenario.seeds.population:
        raise ProfileError(
            f"{path}: population_seed: is of the switch {results.population_seed}, not of "
            f"{scenario.seeds.population}, which the scenario is about"
        )
    if results.sensor_px != layout.shape:
        raise ProfileError(
            f"{path}: sensor_px: must be {list(layout.shape)}, as camera.pitch_px and "
            f"camera.window_px have it (got {list(results.sensor_px)})"
        )
    if len(results.sensors) != 2:
        raise ProfileError(f"{path}: sensors: must be 2 (got {len(results.sensors)})")
    height, width = layout.shape
    for k, sensor in enumerate(results.sensors):
        for x, y in sensor.bad_px:
            if x >= width or y >= height:
                raise ProfileError(
                    f"{path}: sensors.{k}.bad_px: must lie on the sensor (got [{x}, {y}])"
                )


def _maps(
    path: str | None, results: CalibrationResults, layout: Layout
) -> dict[str, NDArray[np.float32]] | None:
    if path is None:
        return None
    try:
        arrays = read_npz(Path(path), fault=ProfileError)
    except ProfileError as exc:
        raise ProfileError(f"calibration.maps: {exc}") from exc
    wanted = (len(results.sensors), *layout.shape)
    for name in MAPS:
        if name not in arrays:
            raise ProfileError(f'{path}: array "{name}" is missing')
        if arrays[name].shape != wanted:
            raise ProfileError(
                f"{path}: {name}: must be of shape {wanted} (got {arrays[name].shape})"
            )
        if not np.isfinite(arrays[name]).all():
            raise ProfileError(f"{path}: {name}: must hold finite numbers alone")
    if (arrays["response"] <= 0).any():
        raise ProfileError(f"{path}: response: must be above 0 everywhere")
    return {name: np.ascontiguousarray(arrays[name], np.float32) for name in MAPS}


def calibrated_population(
    population: Population, mirrors: NDArray[np.int64], beliefs: Beliefs | None
) -> Population:
    """Return the population with gains as believed after the calibration."""
    if beliefs is None:
        return population
    return population._replace(
        calibration_ratio=beliefs.of_mirrors("gain", mirrors) / population.gain_ratio
    )


def camera_belief(camera: CameraParams, beliefs: Beliefs | None) -> CameraBelief:
    """Return what estimators are told of the camera: after a calibration, the mean of both."""
    sheet = nominal_belief(camera)
    if beliefs is None:
        return sheet
    return sheet._replace(
        black_dn=float(beliefs.of_sensors("black_dn").mean()),
        gain_dn_per_e=float(beliefs.of_sensors("gain_dn_per_e").mean()),
        read_noise_e=float(beliefs.of_sensors("read_noise_e").mean()),
        background_e=camera.background_e,  # the dark signal is in the black level
    )


def lenses_of(
    scenario: Scenario, layout: Layout, mirrors: NDArray[np.int64], beliefs: Beliefs | None
) -> tuple[Lens | None, Lens | None]:
    """Return how the sensors see tilts, and how the firmware believes that they do."""
    lens, scale = scenario.lens, scenario.camera.scale_px_per_mrad
    if lens is None and beliefs is None:
        return None, None
    turn, bend = (0.0, 0.0) if lens is None else (lens.rotation_mrad, lens.distortion_pct)
    truth = lens_of(layout, mirrors, scale, turn, bend)
    if beliefs is None:
        return truth, lens_of(layout, mirrors, scale, 0.0, 0.0)
    measured = (
        beliefs.of_sensors(name)
        for name in ("scale_px_per_mrad", "rotation_mrad", "distortion_pct")
    )
    return truth, lens_of(layout, mirrors, *measured)


def guard_of(
    scenario: Scenario, mirrors: NDArray[np.int64], beliefs: Beliefs | None
) -> SpotGuard | None:
    """Return when readings are doubted, or None if they never are.

    Raises
    ------
    ScenarioError
        If they are held against the light of a calibration that there is none of.
    """
    asked = scenario.spot_guard
    if asked is None:
        return None
    if asked.excess_light_pct is None:
        return SpotGuard(asked.margin_px, None)
    if beliefs is None:
        raise ScenarioError(
            "spot_guard.excess_light_pct: needs calibration.results, which says how much light "
            f"each spot has (got {asked.excess_light_pct:g})"
        )
    most = (1.0 + 0.01 * asked.excess_light_pct) * beliefs.of_mirrors("flux_dn", mirrors)
    return SpotGuard(asked.margin_px, most)
