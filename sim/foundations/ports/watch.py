"""What a health watch gets and gives: which mirrors misbehave, and how."""

from enum import IntEnum
from typing import Any, NamedTuple, Protocol, TypeVar

import numpy as np
from numpy.typing import NDArray

from sim.foundations.ports.array import Array
from sim.foundations.ports.controller import Setpoint, TiltReading

S = TypeVar("S")


class FaultKind(IntEnum):
    """How a mirror misbehaves."""

    NONE = 0
    """It does as it should, as far as can be seen."""
    STUCK = 1
    """It does not follow its corrections."""
    WEAK = 2
    """It follows with another gain than it had."""
    OSCILLATING = 3
    """It swings at one frequency."""
    DRIFTING = 4
    """Its rest angle wanders off, or has jumped."""
    NOISY = 5
    """It moves at random, more than it did."""
    LOST = 6
    """Its spot is gone from its window."""


FAULT_WORDS = {
    FaultKind.STUCK: "stuck",
    FaultKind.WEAK: "weak",
    FaultKind.OSCILLATING: "oscillating",
    FaultKind.DRIFTING: "drifting off",
    FaultKind.NOISY: "noisy",
    FaultKind.LOST: "lost",
}
"""As sentences and pages say them."""


class Sight(NamedTuple):
    """What the firmware sees of one frame; a watch knows nothing else of it."""

    reading: TiltReading
    """Measured tilts and their status."""
    setpoint: Setpoint
    """Expected tilts, and how far corrections may go."""
    correction_rad: Array
    """(M, 2) correction made from the reading; it arrives at the drive one latency later. [rad]"""


class Findings(NamedTuple):
    """What a watch makes of the mirrors up to a frame."""

    kind: NDArray[np.uint8]
    """(M,) FaultKind; other than NONE is an alarm. It stays until the watch is made to forget."""
    evidence: Array
    """(M,) how near the mirror is to an alarm: 1 or above raises one. NaN: not told. [-]"""
    gain: Array
    """(M,) its gain over the one believed, where that was found; else NaN. [-]"""


class Watch(Protocol[S]):
    """Decides which mirrors misbehave, one call a frame for the whole fleet.

    Settings are fixed at construction; state is passed in and returned.
    """

    def initial_state(self, n_mirrors: int) -> S:
        """Return the state before the first frame."""
        ...

    def step(self, state: S, sight: Sight) -> tuple[S, Findings]:
        """Return (next state, findings); must not change its inputs."""
        ...

    def forget(self, state: S, which: NDArray[np.bool_]) -> S:
        """Return the state with the marked mirrors (M,) as before their first frame."""
        ...


def findings_fault(findings: Any, n_mirrors: int) -> str | None:
    """Return what is wrong with the findings of a watch, or None."""
    if not isinstance(findings, Findings):
        return f"gave {type(findings).__name__}, not Findings"
    for name, array in zip(Findings._fields, findings, strict=True):
        got = getattr(array, "shape", type(array).__name__)
        if got != (n_mirrors,):
            return f"{name} must be of shape ({n_mirrors},) (got {got})"
    if findings.kind.dtype.kind not in "ui":
        return f"kind must be whole numbers (got {findings.kind.dtype})"
    if n_mirrors and not (0 <= findings.kind.min() and findings.kind.max() <= max(FaultKind)):
        return f"kind must lie between 0 and {max(FaultKind)}"
    return None
