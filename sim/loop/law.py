"""Law and memory of a controller that states itself in numbers, as the kernels take them."""

from typing import Any

import numpy as np

from sim.ports import InNumbers, Law, LawState


def states_law(controller: Any) -> bool:
    """Whether the law that a controller states is its own, not that of a base it departs from."""
    if not isinstance(controller, InNumbers):
        return False

    def owner(name: str) -> type:
        return next(kind for kind in type(controller).__mro__ if name in vars(kind))

    return owner("step") is owner("in_numbers")


def law_of(controller: Any, n_mirrors: int) -> Law:
    """Return the law of a controller; the kernel cannot check what it is given.

    Raises
    ------
    ValueError
        If its numbers, or those of its memory, are not of the shapes that the kernel takes.
    """
    law, memory = _stated(controller).in_numbers(controller.initial_state(n_mirrors))
    n, m = len(law.sections), n_mirrors
    wanted = {"integral_rad": (2, m), "correction_rad": (2, m), "filters_rad": (n, 2, 2, m)}
    given = {name: getattr(memory, name) for name in wanted} | {"sections": law.sections}
    for name, shape in (wanted | {"sections": (n, 2, 5)}).items():
        array = given[name]
        if array.shape != shape or array.dtype != np.float64 or not array.flags.c_contiguous:
            raise ValueError(
                f"in_numbers: {name} must be contiguous float64 {shape}, got {array.dtype} "
                f"{array.shape}"
            )
    return law


def memory_of(controller: Any, state: Any) -> LawState:
    """Return a copy of a controller's state, as the kernel changes it."""
    return _stated(controller).in_numbers(state)[1]


def state_of(controller: Any, memory: LawState) -> Any:
    """Return a controller's state from what the kernel made of its memory."""
    return controller.from_numbers(memory)


def _stated(controller: Any) -> InNumbers:
    assert isinstance(controller, InNumbers)
    return controller
