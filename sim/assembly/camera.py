"""The camera of a run: its fields, its reader, and what is done about lost spots."""

from types import ModuleType

import numpy as np
from numpy.typing import NDArray

from sim.assembly.calibrated import camera_belief
from sim.assembly.calibrated_words import correction_of
from sim.assembly.firmware import reader_of
from sim.assembly.plug_ins import PlugIn
from sim.assembly.stand_ins import StandIn
from sim.assembly.timing import RATIO_ROUNDING
from sim.calibration.results import Beliefs
from sim.camera.equivalent_noise import check_meaning
from sim.camera.measurement import Measurement
from sim.camera.noise_fit import fill_table
from sim.camera.pixel_correction import PixelMaps
from sim.camera.search import SearchRule
from sim.camera.sensor import Layout, make_layout
from sim.camera.settings import CameraParams
from sim.foundations.errors import ScenarioError
from sim.foundations.files.text import counted
from sim.foundations.ports import Array, SpotReading
from sim.kernels.installed import installed
from sim.scenario.model import Scenario, Seeds


def layout_of(scenario: Scenario) -> Layout:
    """Fields of the mirrors on the sensor; a rolling shutter must be through with it in time."""
    camera, geometry = scenario.camera, scenario.switch.geometry
    layout = make_layout(
        camera, geometry.ports_per_side, geometry.columns, geometry.outputs,
        geometry.output_columns or geometry.columns,
    )  # fmt: skip
    frame_us = 1e6 / camera.frame_hz
    spare_us = min(camera.latency_us, frame_us - camera.exposure_us)
    rolled_us = camera.row_us * layout.shape[0]
    if rolled_us > spare_us * (1 + RATIO_ROUNDING):
        raise ScenarioError(
            f"camera.row_us: {counted(layout.shape[0], 'row')} must start within the read-out "
            "and within the "
            f"frame, {spare_us:g} us, so at most {spare_us / layout.shape[0]:.3g} us a row "
            f"(got {camera.row_us:g})"
        )
    return layout


def search_of(camera: CameraParams) -> SearchRule | None:
    """Return how lost spots are searched for, or None if they are not."""
    if camera.search_after_frames is None:
        return None
    home_px = min(camera.window_px) / 8
    return SearchRule(
        camera.search_after_frames, camera.search_frames, camera.spot_sigma_px, home_px
    )


def measurement_of(
    camera: CameraParams, mirrors: NDArray[np.int64], seeds: Seeds, estimator: PlugIn,
    kernels: ModuleType, layout: Layout, beliefs: Beliefs | None = None,
) -> Measurement:  # fmt: skip
    """The camera and its reader; for `equivalent`, with a table made by it."""
    seed = seeds.noise
    if estimator.part is None or estimator.settings is None:
        return Measurement(camera, mirrors, seed, StandIn(), None, kernels, layout)
    check_window = estimator.part.window_fault
    fault = None if check_window is None else check_window(camera.window_px)
    if fault is not None:
        raise ScenarioError(
            f'camera.window_px: estimator "{estimator.written["kind"]}" {fault} '
            f"(got {list(camera.window_px)})"
        )
    belief = camera_belief(camera, beliefs)
    read = reader_of(estimator, camera, belief)
    pixel_sums = None if estimator.arithmetic is not None else estimator.part.pixel_sums
    sums = None if pixel_sums is None else pixel_sums(estimator.settings)._asdict()
    measurement = Measurement(
        camera, mirrors, seed, read, sums, kernels, layout, pattern_seed=seeds.population,
        belief=belief,
        correction=correction_of(read, _useful_maps(camera, beliefs), layout, mirrors, belief),
    )  # fmt: skip
    if camera.noise != "equivalent":
        return measurement
    check_meaning(camera, measurement.camera)
    kernels = installed()

    def reading(spots_px: Array, batch: int) -> SpotReading:
        many = Measurement(camera, np.arange(spots_px.shape[1]), seed, read, sums, kernels)
        return many.read(spots_px[None], batch)

    measurement.table = fill_table(camera.window_px, reading)
    return measurement


def _useful_maps(camera: CameraParams, beliefs: Beliefs | None) -> PixelMaps | None:
    """Return the maps to correct windows by; None where there is nothing to correct.

    Without images there are no pixels; without bad ones and arrays, frames stay as they are.
    """
    maps = None if beliefs is None else beliefs.maps
    if maps is None or camera.noise == "equivalent":
        return None
    return None if maps.dark_dn is None and not maps.bad.any() else maps
