"""Watches over the health of the mirrors, by the name that a scenario uses."""

from typing import Any, Final

from sim.foundations.kinds.registry import Registry, class_fault
from sim.health.cusum import Cusum
from sim.health.thresholds import Thresholds

WATCHES: Final[Registry[Any]] = Registry(
    "health watch",
    "health.watch",
    {"cusum": Cusum, "thresholds": Thresholds},
    class_fault(
        {
            "initial_state": ("n_mirrors",),
            "step": ("state", "sight"),
            "forget": ("state", "which"),
        },
        "plant",
    ),
)
"""Name in a scenario -> health watch."""
