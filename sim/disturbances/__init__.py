"""The shipped disturbances, by the `kind` that a scenario names them with."""

from typing import Any, Final

from sim.disturbances.drift import Drift, RandomWalk
from sim.disturbances.record import Record
from sim.disturbances.shock import Shock
from sim.disturbances.slow import Ageing, Charging
from sim.disturbances.thermal import Thermal
from sim.registry import Registry, class_fault

DISTURBANCES: Final[Registry[type[Any]]] = Registry(
    "disturbance",
    "disturbances",
    {
        "ageing": Ageing,
        "charging": Charging,
        "drift": Drift,
        "random_walk": RandomWalk,
        "record": Record,
        "shock": Shock,
        "thermal": Thermal,
    },
    class_fault({"initial_state": (), "advance": ("state", "first_frame", "n_frames")}, "site"),
)
"""Name in a scenario -> disturbance."""
