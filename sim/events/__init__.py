"""The shipped events, by the `kind` that a scenario names them with."""

from typing import Any, Final

from sim.events.board_power import BoardPower
from sim.events.fan_failure import FanFailure
from sim.events.frames_dropped import FramesDropped
from sim.events.frames_late import FramesLate
from sim.events.latency_jitter import LatencyJitter
from sim.events.light_dimmed import LightDimmed
from sim.events.light_flickering import LightFlickering
from sim.events.mirror_drifting import MirrorDrifting
from sim.events.mirror_noisy import MirrorNoisy
from sim.events.mirror_oscillating import MirrorOscillating
from sim.events.mirror_shorted import MirrorShorted
from sim.events.mirror_stuck import MirrorStuck
from sim.events.mirror_weak import MirrorWeak
from sim.events.rows_corrupted import RowsCorrupted
from sim.events.supply_sag import SupplySag
from sim.events.windows_late import WindowsLate
from sim.foundations.kinds.registry import Registry, class_fault

EVENTS: Final[Registry[type[Any]]] = Registry(
    "event",
    "events",
    {
        "board_power": BoardPower,
        "fan_failure": FanFailure,
        "frames_dropped": FramesDropped,
        "frames_late": FramesLate,
        "latency_jitter": LatencyJitter,
        "light_dimmed": LightDimmed,
        "light_flickering": LightFlickering,
        "mirror_drifting": MirrorDrifting,
        "mirror_noisy": MirrorNoisy,
        "mirror_oscillating": MirrorOscillating,
        "mirror_shorted": MirrorShorted,
        "mirror_stuck": MirrorStuck,
        "mirror_weak": MirrorWeak,
        "rows_corrupted": RowsCorrupted,
        "supply_sag": SupplySag,
        "windows_late": WindowsLate,
    },
    class_fault({"faults": ("frame",)}, "site"),
)
"""Name in a scenario -> event."""
