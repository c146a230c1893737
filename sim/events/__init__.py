"""The shipped events, by the `kind` that a scenario names them with."""

from typing import Any, Final

from sim.events.frames_dropped import FramesDropped
from sim.events.frames_late import FramesLate
from sim.events.latency_jitter import LatencyJitter
from sim.events.rows_corrupted import RowsCorrupted
from sim.events.windows_late import WindowsLate
from sim.registry import Registry, class_fault

EVENTS: Final[Registry[type[Any]]] = Registry(
    "event",
    "events",
    {
        "frames_dropped": FramesDropped,
        "frames_late": FramesLate,
        "latency_jitter": LatencyJitter,
        "rows_corrupted": RowsCorrupted,
        "windows_late": WindowsLate,
    },
    class_fault({"faults": ("frame",)}, "site"),
)
"""Name in a scenario -> event."""
