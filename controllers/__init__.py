"""The shipped controllers and command shapers, by the name that a scenario uses."""

from typing import Any, Final

from controllers.integrator import Integrator
from controllers.lqg import Lqg
from controllers.open_loop import OpenLoop
from controllers.pi import Pi
from controllers.pid import Pid
from controllers.shaping.minimum_jerk import MinimumJerk
from controllers.shaping.none import NoShaping
from controllers.shaping.time_optimal import TimeOptimal
from controllers.shaping.zero_vibration import ZeroVibration, ZeroVibrationDerivative
from controllers.smith import Smith
from sim.foundations.kinds.registry import Registry, class_fault

CONTROLLERS: Final[Registry[Any]] = Registry(
    "controller",
    "controller",
    {
        "open_loop": OpenLoop,
        "integrator": Integrator,
        "pi": Pi,
        "pid": Pid,
        "smith": Smith,
        "lqg": Lqg,
    },
    class_fault(
        {"initial_state": ("n_mirrors",), "step": ("state", "reading", "setpoint")}, "plant"
    ),
)
"""Name in a scenario -> controller."""

SHAPERS: Final[Registry[Any]] = Registry(
    "shaper",
    "shaping",
    {
        "none": NoShaping,
        "zv": ZeroVibration,
        "zvd": ZeroVibrationDerivative,
        "minimum_jerk": MinimumJerk,
        "time_optimal": TimeOptimal,
    },
    class_fault({"path": ("start_rad", "target_rad")}, "plant"),
)
"""Name in a scenario -> command shaper."""
