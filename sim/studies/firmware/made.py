"""From a scenario to the firmware that it asks for, in words."""

from typing import Any

from sim.assembly.build import Built
from sim.firmware.calibrated.guard import FixedGuard
from sim.firmware.calibrated.lens import FixedLens
from sim.firmware.calibrated.pixels import FixedPixelCorrection
from sim.firmware.calibrated.source import Calibrated
from sim.firmware.controller import FixedController
from sim.firmware.source import Firmware
from sim.firmware.spot_source import SpotWorld
from sim.firmware.spots.estimator import FixedEstimator
from sim.foundations.errors import ScenarioError


class FirmwareError(ScenarioError):
    """A scenario whose firmware cannot be written."""


def fixed_parts(built: Built) -> tuple[FixedEstimator, FixedController]:
    """Return estimator and controller of a run, both in whole numbers.

    Raises
    ------
    FirmwareError
        If one of them is not; the message says what would make it so.
    """
    estimator, controller = built.parts.measurement.estimator, built.parts.controller
    lacking = []
    if not isinstance(estimator, FixedEstimator):
        lacking.append(("estimator", built.resolved.estimator["kind"]))
    if not isinstance(controller, FixedController):
        lacking.append(("controller", built.resolved.controller["kind"]))
    if lacking:
        raise FirmwareError(
            "; ".join(
                f'{key}.arithmetic: firmware is whole numbers, and "{kind}" has none here; give '
                f'{key}.arithmetic = {{ kind = "fixed" }}'
                for key, kind in lacking
            )
        )
    assert isinstance(estimator, FixedEstimator) and isinstance(controller, FixedController)
    refuse_search(built)
    return estimator, controller


def refuse_search(built: Built) -> None:
    """Refuse a run that searches for lost spots, for which the C has no part.

    Raises
    ------
    FirmwareError
        If it does.
    """
    if built.parts.search is not None:
        raise FirmwareError(
            "camera.search_after_frames: the C source has no search for lost spots "
            f"(got {built.resolved.camera.search_after_frames}); leave it out"
        )


def refuse_frames(built: Built, frames: int) -> None:
    """Refuse more frames than a run has.

    Raises
    ------
    FirmwareError
        If it has fewer.
    """
    most = built.parts.clock.n_frames
    if not 1 <= frames <= most:
        raise FirmwareError(f"--frames: must be 1 to {most}, the frames of the run (got {frames})")


def firmware_of(built: Built) -> Firmware:
    """Return what the firmware of a scenario computes.

    Raises
    ------
    FirmwareError
        If estimator and controller are not both in whole numbers, or the run does what the C source
        has no part for.
    """
    estimator, controller = fixed_parts(built)
    arithmetic: dict[str, Any] = built.resolved.estimator["arithmetic"]
    coded = built.parts.coded
    assert coded is not None, "a controller in whole numbers has codes"
    full_scale_dn = 2**built.resolved.camera.bits - 1
    world = SpotWorld(estimator.kind, str(arithmetic["division"]), full_scale_dn)
    return Firmware(
        built.resolved.title, controller.law, controller.kind, estimator.words,
        world, coded.words, len(built.parts.mirrors), calibrated_of(built),
    )  # fmt: skip


def calibrated_of(built: Built) -> Calibrated:
    """Return what the firmware of a run in whole numbers goes by beside estimator and law."""
    parts = built.parts
    measurement = parts.measurement
    correction, lens, guard = measurement.correction, parts.believed_lens, parts.guard
    return Calibrated(
        measurement.centre_px, measurement.layout.sensor(parts.mirrors),
        correction.words if isinstance(correction, FixedPixelCorrection) else None,
        lens.words if isinstance(lens, FixedLens) else None,
        guard.words if isinstance(guard, FixedGuard) else None,
    )  # fmt: skip
