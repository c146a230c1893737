"""The same loops as python-control objects, for whatever else one wants to know about them."""

from typing import Any, NamedTuple

from controllers.analysis.linear_loop import plant_matrices
from controllers.analysis.linearise import linearise
from controllers.analysis.plant import Plant

AXES = ("x", "y")


def controller_system(controller: Any, frame_s: float, mirror: int = 0, n_mirrors: int = 1) -> Any:
    """Return a controller as `control.StateSpace`, mismatch (x, y) to correction (x, y). [rad/rad]

    One whose gains differ by mirror is for `n_mirrors`, and is returned for one of them.

    Parameters
    ----------
    controller : Controller
        Linear in small signals.
    frame_s : float
        Time between two readings. [s]
    mirror : int
        Which of the mirrors.
    n_mirrors : int
        How many the controller is for.

    Returns
    -------
    control.StateSpace
        With the time step `frame_s`.

    Raises
    ------
    ValueError
        If the controller is not linear in small signals.
    """
    import control

    matrices = linearise(controller, n_mirrors)
    at = mirror if len(matrices.A) > 1 else 0
    return control.ss(
        *(matrix[at] for matrix in matrices), frame_s, inputs=["mismatch_x", "mismatch_y"],
        outputs=["correction_x", "correction_y"],
    )  # fmt: skip


def plant_system(plant: Plant, mirror: int) -> Any:
    """Return one mirror, by its place in the plant, as `control.StateSpace`. [rad/rad]

    Raises
    ------
    ValueError
        If there is no such mirror.
    """
    import control

    if not 0 <= mirror < len(plant.mix):
        raise ValueError(f"mirror must be 0 to {len(plant.mix) - 1}, got {mirror}")
    A, B, C = (matrix[mirror] for matrix in plant_matrices(plant))
    return control.ss(
        A, B, C, 0.0, plant.frame_s, inputs=["correction_x", "correction_y"],
        outputs=["tilt_x", "tilt_y"],
    )  # fmt: skip


def loop_system(controller: Any, plant: Plant, mirror: int, axis: str | None = None) -> Any:
    """Return the loop gain of one mirror as `control.StateSpace`, mismatch to tilt. [rad/rad]

    Close it with `control.feedback(loop, numpy.eye(2))` (or `1` for a single axis).

    Parameters
    ----------
    controller : Controller
        The controller as the loop runs it.
    plant : Plant
        From `population_plant`, or of a scenario from `sim.studies.margins.plant.plant_of`.
    mirror : int
        Place of the mirror in the plant.
    axis : "x" or "y", optional
        One axis alone, the other axis' correction at rest; both axes, 2 x 2, if left out.

    Returns
    -------
    control.StateSpace
        In discrete time, dt one frame.

    Raises
    ------
    ValueError
        If there is no such mirror or axis, or the controller is not linear in small signals.
    """
    if axis is not None and axis not in AXES:
        raise ValueError(f'axis must be "x" or "y", got {axis!r}')
    control = controller_system(controller, plant.frame_s, mirror, len(plant.mix))
    loop = plant_system(plant, mirror) * control
    return loop if axis is None else loop[AXES.index(axis), AXES.index(axis)]


class ClosedSystems(NamedTuple):
    """One loop of one mirror, as `control.StateSpace` in discrete time, dt one frame."""

    L: Any
    """Loop gain, mismatch to tilt. [rad/rad]"""
    S: Any
    """Sensitivity, disturbance of the tilt to tilt. [rad/rad]"""
    T: Any
    """Complementary sensitivity, reference to tilt: `control.step_response(T)` is its step."""


def closed_systems(
    controller: Any, plant: Plant, mirror: int, axis: str | None = None
) -> ClosedSystems:
    """Return L, S and T of one mirror.

    Parameters
    ----------
    controller, plant, mirror
        As for `loop_system`.
    axis : "x" or "y", optional
        The other axis' loop stays closed, as in `margins.json`; both axes, 2 x 2, if left out.

    Returns
    -------
    ClosedSystems
        Each a `control.StateSpace`. [rad/rad]

    Raises
    ------
    ValueError
        As `loop_system`.
    """
    import control
    import numpy as np

    loop = loop_system(controller, plant, mirror)
    eye = control.ss([], [], [], np.eye(2), plant.frame_s)
    sensitivity, complementary = control.feedback(eye, loop), control.feedback(loop, np.eye(2))
    if axis is None:
        return ClosedSystems(loop, sensitivity, complementary)
    if axis not in AXES:
        raise ValueError(f'axis must be "x" or "y", got {axis!r}')
    i = AXES.index(axis)
    own, rest = sensitivity[i, i], complementary[i, i]
    # The loop gain of one axis with the other closed: 1 + L = 1/S, so L = T / (1 - T).
    return ClosedSystems(control.feedback(rest, 1, sign=1), own, rest)
