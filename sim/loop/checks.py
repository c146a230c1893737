"""What the parts of a run give is checked where it is taken: shapes, and finite numbers."""

from typing import Any

import numpy as np

from sim.foundations.errors import PlugInError
from sim.foundations.kinds.outside import kind_of
from sim.foundations.ports import Effects
from sim.loop.parts import Parts


def check_correction(correction: Any, parts: Parts, frame: int) -> None:
    """Refuse a controller's correction that is not one finite number for each mirror and axis.

    Raises
    ------
    PlugInError
        With the controller, mirror and time.
    """
    wanted = (len(parts.mirrors), 2)
    if getattr(correction, "shape", None) == wanted and np.isfinite(correction).all():
        return
    where = f'controller "{kind_of(parts.controller)}"'
    at_ms = 1e3 * frame * parts.clock.frame_s
    if getattr(correction, "shape", None) != wanted:
        got = getattr(correction, "shape", type(correction).__name__)
        raise PlugInError(
            f"{where}: {at_ms:g} ms: the correction must be of shape {wanted} (got {got})"
        )
    column = int((~np.isfinite(correction)).any(axis=1).argmax())
    x, y = correction[column]
    raise PlugInError(
        f"{where}: mirror {parts.mirrors[column]}, {at_ms:g} ms: the correction must be finite "
        f"(got {x}, {y})"
    )


def check_effects(
    effects: Any, shapes: tuple[tuple[int, ...], ...], disturbance: Any, number: int, at_s: float
) -> None:
    """Refuse effects of a disturbance of other shapes than those of the block, or not finite.

    Parameters
    ----------
    effects : Effects
        As the disturbance gave them.
    shapes : tuple
        What each field must be of, in their order.
    disturbance : Disturbance
        For the message.
    number : int
        Its place in the scenario, for the message.
    at_s : float
        Start of the block, for the message. [s]

    Raises
    ------
    PlugInError
        With the disturbance and the time.
    """
    where = f'disturbances.{number}: "{kind_of(disturbance)}": block from {1e3 * at_s:g} ms'
    if not isinstance(effects, Effects):
        raise PlugInError(f"{where}: gave {type(effects).__name__}, not Effects")
    for name, shape, part in zip(Effects._fields, shapes, effects, strict=True):
        if part is None:
            continue
        got = getattr(part, "shape", type(part).__name__)
        if got != shape:
            raise PlugInError(f"{where}: {name} must be of shape {shape} (got {got})")
        if not np.isfinite(part).all():
            raise PlugInError(f"{where}: {name} must be finite")
