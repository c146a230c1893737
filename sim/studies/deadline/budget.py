"""What a frame of all spots takes on the firmware's processor, against the time there is.

Counts are of instructions on an emulated Cortex-M4 where the firmware can be written and run there,
else multiply-adds counted from the algorithm by hand. Neither is a measurement of cycles on the
processor at hand.
"""

from typing import Final, NamedTuple

from sim.assembly.build import Built
from sim.errors import SimError
from sim.files.text import counted
from sim.firmware.emulator import Counted
from sim.studies.firmware.counting import count_instructions

EMULATED: Final = "instructions, counted on an emulated Cortex-M4"
BY_HAND: Final = "multiply-adds, counted by hand from the algorithm"


class StageCost(NamedTuple):
    """One stage of the firmware, for one spot and frame."""

    stage: str
    mean: float
    worst: float
    """Largest number that was counted."""


class FrameBudget(NamedTuple):
    """What a frame of all spots takes; None where it is not known."""

    counted: str
    """What was counted, and how."""
    why_not_emulated: str | None
    stages: tuple[StageCost, ...]
    spots: int
    mean_us: float | None
    worst_us: float | None
    """All spots at their largest count in one frame. [us]"""
    spare_us: float
    """From the end of the exposure to the drive, less read-out. [us]"""
    memory_bytes: int | None
    memory_words: str
    memory_kb: float | None
    """What the processor has. [kB]"""

    @property
    def late(self) -> bool | None:
        """Whether the worst frame misses its deadline; None if time is not known."""
        return None if self.worst_us is None else self.worst_us > self.spare_us

    @property
    def full(self) -> bool:
        """Whether memory does not suffice."""
        if self.memory_bytes is None or self.memory_kb is None:
            return False
        return self.memory_bytes > 1000 * self.memory_kb

    @property
    def spots_in_time(self) -> int | None:
        """How many spots make the deadline, all at their largest count."""
        if not self.worst_us:
            return None
        return int(self.spare_us / (self.worst_us / self.spots)) if self.spare_us > 0 else 0


def budget_of(built: Built, *, emulate: bool = True) -> FrameBudget:
    """Return the budget of a scenario's firmware.

    Parameters
    ----------
    built : Built
        The scenario, built.
    emulate : bool
        Whether to write the firmware, run it on the emulator and count; where that is not possible,
        the reason is given, and the count by hand stands in.
    """
    reason: str | None = "not asked for"
    if emulate:
        try:
            return _emulated(built, count_instructions(built))
        except SimError as exc:
            reason = str(exc).splitlines()[0]
    return _by_hand(built, reason)


def _emulated(built: Built, found: Counted) -> FrameBudget:
    scenario, arithmetic = built.resolved, built.arithmetic
    processor, spots = scenario.processor, arithmetic.spots
    frame = found.stage("frame")
    each = [s for s in found.stages if s.name != "frame"]
    times: list[float | None] = [None, None]
    if processor is not None and processor.clock_mhz is not None:
        per_us = processor.clock_mhz / processor.cycles_per_instruction
        times = [frame.mean * spots / per_us, frame.most * spots / per_us]
    fixed = found.static_bytes + found.stack_bytes + found.spot_bytes
    memory = fixed + spots * found.state_bytes
    return FrameBudget(
        EMULATED, None,
        tuple(StageCost(s.name, s.mean, float(s.most)) for s in each)
        + (StageCost("all stages", frame.mean, float(frame.most)),),
        spots, times[0], times[1], arithmetic.spare_us, memory,
        f"{counted(spots, 'state')} of {found.state_bytes} B, a window of {found.spot_bytes} B "
        "as rows "
        f"arrive, stack {found.stack_bytes} B at most, variables {found.static_bytes} B; code and "
        f"tables, {found.code_bytes} B, lie elsewhere",
        None if processor is None else processor.memory_kb,
    )  # fmt: skip


def _by_hand(built: Built, reason: str | None) -> FrameBudget:
    arithmetic = built.arithmetic
    adds = arithmetic.multiply_adds
    stages = () if adds is None else (StageCost("estimator", float(adds), float(adds)),)
    memory = arithmetic.memory_bytes
    words = "the estimator states no cost" if memory is None else (
        f"{memory} B for the spot at hand; the states of the control law are not in it"
    )  # fmt: skip
    return FrameBudget(
        BY_HAND, reason, stages, arithmetic.spots, arithmetic.compute_us, arithmetic.compute_us,
        arithmetic.spare_us, memory, words, arithmetic.memory_kb,
    )  # fmt: skip
