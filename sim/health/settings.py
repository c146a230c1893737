"""What a scenario says of the health watch: which one, and what the switch does about an alarm."""

from typing import Annotated, Any, Literal

from pydantic import Field

from sim.foundations.params import Block, between
from sim.foundations.ports.watch import FAULT_WORDS, FaultKind

Action = Literal["report", "hold", "re_aim", "re_route"]
Ports = Annotated[tuple[int, ...], Field(max_length=4096)]


class ActionsParams(Block):
    """What the switch does about a mirror of each kind.

    "report": nothing; "hold": the mirror keeps its correction, as with a lost spot; "re_aim": it is
    commanded to its aim afresh, its correction taken back, with the gain that was found;
    "re_route": its connection moves to a spare port.
    """

    stuck: Action = "report"
    """For a mirror that does not follow."""
    weak: Action = "report"
    """For one of another gain."""
    oscillating: Action = "report"
    """For one that swings at one frequency."""
    drifting: Action = "report"
    """For one whose rest angle wanders off."""
    noisy: Action = "report"
    """For one that moves at random."""
    lost: Action = "report"
    """For one whose spot is gone."""

    def by_kind(self) -> tuple[str, ...]:
        """Return the action of each FaultKind, in their order; nothing for none."""
        return ("report", *(getattr(self, kind.name.lower()) for kind in FAULT_WORDS))


class TrialParams(Block):
    """A fault that the study of the watch puts on some mirrors.

    Valid for any kind of event that names its mirrors.
    """

    found_as: Literal["stuck", "weak", "oscillating", "drifting", "noisy", "lost"]
    """The kind that the watch should name. [-]"""
    event: dict[str, Any]
    """`kind` and settings as in [[events]]; `mirrors` and `at_ms` are the study's to choose."""


class HealthParams(Block):
    """Firmware that watches over the mirrors while the loop runs.

    Valid for watches that see what firmware sees; a run with it goes frame by frame and takes
    some 6 (192 mirrors) to 17 times (48) as long.
    """

    watch: dict[str, Any]
    """`kind`, then the settings of that watch. "package.module:Name" and "file.py:Name" run outside
    code."""
    actions: ActionsParams = ActionsParams()
    react_ms: Annotated[float, between(1.0, 1e6)] = 50.0
    """From the frame of an alarm until the switch acts on it; at least 17 frames. [ms]"""
    spare_inputs: Ports = ()
    """Input ports without a connection whose mirrors are simulated too, to be re-routed to. [-]"""
    spare_outputs: Ports = ()
    """Output ports of the same kind. [-]"""
    trials: Annotated[tuple[TrialParams, ...], Field(max_length=100)] = ()
    """Faults that `mirrorloop health` tries the watch with; runs take no notice. [-]"""
    trials_from_ms: Annotated[float, between(0.0, 1e7)] = 2500.0
    """When they begin: by then the watch must know its mirrors. [ms]"""


assert tuple(FAULT_WORDS) == tuple(FaultKind)[1:]
