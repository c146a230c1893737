"""What a calibration leaves to the firmware, in whole numbers where the firmware computes so."""

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from sim.camera.lens import Lens, SeesTilts
from sim.camera.lens import corner_px as sensor_corner_px
from sim.camera.measurement import Measurement
from sim.camera.pixel_correction import CorrectsPixels, PixelCorrection, PixelMaps
from sim.camera.sensor import Layout
from sim.camera.spot_guard import DoubtsReadings, SpotGuard
from sim.firmware.calibrated.guard import FixedGuard, guard_words
from sim.firmware.calibrated.lens import FixedLens, lens_words
from sim.firmware.calibrated.native import NativeGuard, NativeLens, NativePixelCorrection
from sim.firmware.calibrated.pixels import FixedPixelCorrection, pixel_words
from sim.firmware.calibrated.source import Calibrated, calibrated_source
from sim.firmware.controller import FixedController
from sim.firmware.folder import Folder
from sim.firmware.native import NativeController, NativeEstimator, refuse_other_mirrors
from sim.firmware.spots.estimator import FixedEstimator
from sim.foundations.errors import ScenarioError
from sim.foundations.ports import CameraBelief

PARTS: Final = {
    "pixels": ("corrects pixels", "calibration.results"),
    "lens": ("straightens positions", "[lens] and calibration.results"),
    "guard": ("doubts readings", "[spot_guard]"),
}
"""Part of a firmware -> what it does, and what asks for it."""


def correction_of(
    estimator: Any, maps: PixelMaps | None, layout: Layout, mirrors: NDArray[np.int64],
    belief: CameraBelief,
) -> CorrectsPixels | None:  # fmt: skip
    """Return what pixels go through before an estimator reads them, or None.

    Raises
    ------
    ScenarioError
        If the maps do not fit the words of an estimator in whole numbers, or firmware in C corrects
        pixels and the run has no maps, or the other way round, or has those of other mirrors.
    """
    if isinstance(estimator, NativeEstimator):
        _check_parts(estimator.folder, "pixels", maps is not None)
    if maps is None:
        return None
    sensor = layout.sensor(mirrors)
    if not isinstance(estimator, FixedEstimator | NativeEstimator):
        return PixelCorrection(maps, sensor, belief.black_dn, belief.full_scale_dn)
    try:
        words = pixel_words(maps, belief.black_dn, belief.full_scale_dn)
    except ValueError as exc:
        raise ScenarioError(str(exc)) from exc
    if isinstance(estimator, FixedEstimator):
        return FixedPixelCorrection(maps, sensor, words)
    refuse_other_mirrors(estimator.folder, mirrors)
    home_px = layout.centre(mirrors)
    own = Calibrated(home_px, sensor, pixels=words)
    warnings = _other(estimator.folder, own, "pixels")
    return NativePixelCorrection(estimator.folder, maps, sensor, home_px, warnings)


def lens_for(
    controller: Any, lens: Lens | None, layout: Layout, mirrors: NDArray[np.int64]
) -> SeesTilts | None:
    """Return what the firmware believes of the lens, in words if the controller has them.

    Raises
    ------
    ScenarioError
        If firmware in C straightens positions and the run has no lens, or the other way round.
    """
    if isinstance(controller, NativeController):
        _check_parts(controller.folder, "lens", lens is not None)
        fraction = controller.position_fraction
    elif isinstance(controller, FixedController):
        fraction = controller.law.formats.position.fraction
    else:
        return lens
    if lens is None:
        return None
    sensor = layout.sensor(mirrors)
    words = lens_words(
        lens, sensor, sensor_corner_px(layout), scale_px_per_rad=controller.scale_px_per_rad,
        fraction=fraction,
    )  # fmt: skip
    if isinstance(controller, FixedController):
        return FixedLens(lens, words, controller.scale_px_per_rad)
    warnings = _other(
        controller.folder, Calibrated(layout.centre(mirrors), sensor, lens=words), "lens"
    )
    return NativeLens(controller.folder, lens, words, controller.scale_px_per_rad, warnings)


def guard_for(
    controller: Any, guard: SpotGuard | None, measurement: Measurement
) -> DoubtsReadings | None:
    """Return what doubts readings, in words if estimator and controller have them.

    Raises
    ------
    ScenarioError
        If firmware in C doubts readings and the run has no guard, or the other way round, or
        estimator and controller are of two folders.
    """
    estimator: Any = measurement.estimator
    native = isinstance(controller, NativeController) and isinstance(estimator, NativeEstimator)
    if native:
        _check_parts(controller.folder, "guard", guard is not None)
        if guard is not None:
            _refuse_two(estimator.folder, controller.folder)
        fraction, light_fraction = controller.position_fraction, estimator.light_fraction
    elif isinstance(controller, FixedController) and isinstance(estimator, FixedEstimator):
        fraction = controller.law.formats.position.fraction
        light_fraction = estimator.words.verdict.light_fraction
    else:
        return guard
    if guard is None:
        return None
    words = guard_words(
        guard, measurement.neighbours, measurement.centre_px.astype(float), measurement.window_px,
        fraction=fraction, light_fraction=light_fraction,
    )  # fmt: skip
    if not native:
        return FixedGuard(words)
    sensor = measurement.layout.sensor(measurement.mirrors)
    own = Calibrated(measurement.centre_px, sensor, guard=words)
    return NativeGuard(controller.folder, words, _other(controller.folder, own, "guard"))


def _check_parts(folder: Folder, part: str, asked: bool) -> None:
    """Refuse firmware in C that has a part which the run does not ask for, or lacks one."""
    has = getattr(folder.port.calibrated, part) is not None
    does, by = PARTS[part]
    if has and not asked:
        raise ScenarioError(f"{folder.path}: {does}, and the run has no {by}")
    if asked and not has:
        raise ScenarioError(
            f"{folder.path}: has no part that {does}, as {by} asks; write it again with "
            "`mirrorloop firmware`"
        )


def _refuse_two(estimator: Folder, controller: Folder) -> None:
    """Refuse a guard in C between an estimator and a controller that are not of one folder."""
    if estimator.path.resolve() != controller.path.resolve():
        raise ScenarioError(
            f"spot_guard: firmware in C doubts readings by the words of one folder; estimator.kind "
            f"and controller.kind must name the same (got {estimator.path} and {controller.path})"
        )


def _other(folder: Folder, own: Calibrated, part: str) -> tuple[str, ...]:
    """Return what is to be said if the folder's words are those of another calibration."""
    try:
        sums = calibrated_source(own).sums
    except ValueError as exc:
        raise ScenarioError(str(exc)) from exc
    if sums[part] == getattr(folder.port.calibrated, part):
        return ()
    does, by = PARTS[part]
    return (
        f"{folder.path}: {does} by another calibration than this run's ({by}); it goes by its own. "
        "If that is not meant, write it again with `mirrorloop firmware`.",
    )
