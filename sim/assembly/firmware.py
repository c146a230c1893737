"""Parts that compute in whole numbers, where a scenario asks for them."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from sim.assembly.plug_ins import PlugIn, made
from sim.assembly.stand_ins import StandIn
from sim.camera.settings import CameraParams, nominal_belief
from sim.firmware.codes import CodedDrive, code_words
from sim.firmware.controller import FixedController
from sim.firmware.native import NativeController, NativeDrive, NativeEstimator, NativePart
from sim.firmware.settings import ControllerArithmetic, EstimatorArithmetic
from sim.firmware.spots.estimator import FIXED_FORMS, WHY_NONE, FixedEstimator
from sim.foundations.errors import ScenarioError
from sim.foundations.ports import Array, CameraBelief, Estimator, PlantBelief
from sim.foundations.ports.linear_law import states_law
from sim.mirror.propagator import Drive


def controller_of(
    plug_in: PlugIn, plant: PlantBelief, *, scale_px_per_rad: float, drive_limit_rad: Array,
    estimator: PlugIn, mirrors: NDArray[np.int64], through_lens: bool = False,
) -> Any:  # fmt: skip
    """Return a run's controller, in whole numbers if its `arithmetic` says so.

    Raises
    ------
    ScenarioError
        If it is to compute in whole numbers and states no linear law, or its words cannot hold it.
    """
    if plug_in.part is None:
        return StandIn()
    if isinstance(plug_in.part, NativePart):
        return native_controller(plug_in, mirrors, scale_px_per_rad)
    controller = made(plug_in, plant)
    if not isinstance(plug_in.arithmetic, ControllerArithmetic):
        return controller
    kind = str(plug_in.written["kind"])
    if not states_law(controller):
        raise ScenarioError(
            f"{plug_in.key}.arithmetic: only a controller that states a linear law can be put into "
            f'whole numbers, and "{kind}" does not'
        )
    words = estimator.arithmetic
    given = words.position_fraction if isinstance(words, EstimatorArithmetic) else None
    if given is not None and given > plug_in.arithmetic.position_fraction:
        raise ScenarioError(
            f"{plug_in.key}.arithmetic.position_fraction: must be no less than the estimator's, "
            f"{given}, whose words come in (got {plug_in.arithmetic.position_fraction})"
        )
    limit_px = scale_px_per_rad * float(drive_limit_rad.max())
    try:
        return FixedController(
            controller.linear_law(), plug_in.arithmetic, kind=kind,
            scale_px_per_rad=scale_px_per_rad, position_px=2.0 * limit_px, correction_px=limit_px,
            rounds_positions=given is None or through_lens,
        )  # fmt: skip
    except ValueError as exc:
        raise ScenarioError(f"{plug_in.key}.arithmetic: {exc}") from exc


def leak_warning(controller: Any) -> tuple[str, ...]:
    """Return what is to be said of a law whose integral leaks in words."""
    left = controller.left_by_leak() if isinstance(controller, FixedController) else 0.0
    if left == 0.0:
        return ()
    return (
        f'controller.arithmetic: the integral of "{controller.kind}" leaks, because it is a sum of '
        f"coefficients that are rounded one by one: up to {100 * left:.2g} % of a constant "
        "disturbance stays uncorrected; more coefficient_bits leave less "
        f"(got {controller.arithmetic.coefficient_bits})",
    )


def native_controller(
    plug_in: PlugIn, mirrors: NDArray[np.int64], scale_px_per_rad: float
) -> NativeController:
    """Return the law of a firmware in C, compiled.

    Raises
    ------
    ScenarioError
        If it is made for other mirrors or another camera.
    CompilerError
        If it cannot be compiled.
    """
    try:
        return NativeController(
            plug_in.part.folder, mirrors=mirrors, scale_px_per_rad=scale_px_per_rad
        )
    except ScenarioError as exc:
        raise ScenarioError(f"{plug_in.key}.kind: {exc}") from exc


def coded_drive_of(controller: Any, believed_gain: Array, drive: Drive) -> CodedDrive | None:
    """Return what makes codes of a controller's words, or None if it computes in floating point.

    `believed_gain` (2, M) is what each drive was calibrated to.

    Raises
    ------
    ScenarioError
        If a product could leave its word, or firmware in C is made for another drive.
    """
    if isinstance(controller, NativeController):
        try:
            return NativeDrive(controller, believed_gain=believed_gain, drive=drive)
        except ScenarioError as exc:
            raise ScenarioError(f"controller.kind: {exc}") from exc
    if not isinstance(controller, FixedController):
        return None
    world: dict[str, Any] = {
        "scale_px_per_rad": controller.scale_px_per_rad,
        "believed_gain": believed_gain,
        "drive": drive,
    }
    a, law = controller.arithmetic, controller.law
    try:
        words = code_words(law.formats.correction, a.coefficient_bits, law.rounding, **world)
    except ValueError as exc:
        raise ScenarioError(f"controller.arithmetic: {exc}") from exc
    return CodedDrive(words, **world)


def reader_of(
    plug_in: PlugIn, camera: CameraParams, belief: CameraBelief | None = None
) -> Estimator:
    """Return a run's estimator, in whole numbers if its `arithmetic` says so.

    `belief` is what the firmware takes the camera for; its data sheet if left out.

    Raises
    ------
    ScenarioError
        If it is to compute in whole numbers and has no such form, its words are too short, or
        readings are drawn instead of read.
    """
    kind = str(plug_in.written["kind"])
    if isinstance(plug_in.part, NativePart):
        return NativeEstimator(plug_in.part.folder)
    a = plug_in.arithmetic
    if not isinstance(a, EstimatorArithmetic):
        bound: Estimator = plug_in.part.bound(plug_in.settings, kind)
        return bound
    if plug_in.part.function not in FIXED_FORMS:
        why = WHY_NONE.get(plug_in.part.function)
        raise ScenarioError(
            f'{plug_in.key}.arithmetic: "{kind}" has no form in whole numbers'
            f"{'' if why is None else f': {why}'}; those that have one: "
            f"{', '.join(sorted(function.__name__ for function in FIXED_FORMS))}"
        )
    if camera.noise == "equivalent":
        raise ScenarioError(
            'camera.noise: "equivalent" draws readings, which are no words of an estimator with '
            'fixed arithmetic; use "fast"'
        )
    try:
        return FixedEstimator(
            plug_in.part.function, plug_in.settings, a, kind=kind, window_px=camera.window_px,
            camera=nominal_belief(camera) if belief is None else belief,
        )  # fmt: skip
    except ValueError as exc:
        raise ScenarioError(f"{plug_in.key}.arithmetic: {exc}") from exc
