"""What a frame of all spots takes on the firmware's processor, against the time there is.

Counts are of instructions on an emulated Cortex-M4: of this firmware where it can be written and
run there, else those stored for its estimator if it is in whole numbers. What has no C source has
multiply-adds counted from the algorithm by hand. None is a measurement of cycles on the processor
at hand.
"""

from typing import Final, NamedTuple

from sim.assembly.build import Built
from sim.firmware.emulator import Counted, StageCount
from sim.firmware.spots.estimator import FixedEstimator
from sim.foundations.files.text import counted
from sim.studies.deadline.kinds import EstimatorsCompared

EMULATED: Final = "instructions, counted on an emulated Cortex-M4"
STORED: Final = "instructions, stored: not counted here"
BY_HAND: Final = "multiply-adds, counted by hand from the algorithm"


class StageCost(NamedTuple):
    """One stage of the firmware, for one spot and frame."""

    stage: str
    mean: float
    worst: float
    """Largest number that was counted."""
    least_cycles: int | None = None
    """Largest number of cycles if each instruction takes as few as its class can."""
    most_cycles: int | None = None
    """The same if each takes as many as it can; memory waits in neither."""


class FrameBudget(NamedTuple):
    """What a frame of all spots takes; None where it is not known."""

    counted: str
    """What was counted, and how."""
    why_not_here: str | None
    stages: tuple[StageCost, ...]
    spots: int
    mean_us: float | None
    worst_us: float | None
    """All spots at their largest count in one frame. [us]"""
    spare_us: float
    """From the end of the exposure to the drive, less read-out. [us]"""
    busy_us: float | None
    """The worst frame with all its ticks of the drive, of which the deadline holds one. [us]"""
    frame_us: float
    """From one frame to the next. [us]"""
    memory_bytes: int | None
    memory_words: str
    memory_kb: float | None
    """What the processor has. [kB]"""

    @property
    def late(self) -> bool | None:
        """Whether the worst frame misses its deadline; None if time is not known."""
        return None if self.worst_us is None else self.worst_us > self.spare_us

    @property
    def overloaded(self) -> bool:
        """Whether a frame's work takes longer than a frame."""
        return self.busy_us is not None and self.busy_us > self.frame_us

    @property
    def unit(self) -> str:
        """What was counted, in a word."""
        return "multiply-adds" if self.counted == BY_HAND else "instructions"

    @property
    def cycles(self) -> tuple[int, int] | None:
        """Cycles of a spot's worst frame, from fewest to most by the classes of instructions."""
        last = self.stages[-1] if self.stages else None
        if last is None or last.least_cycles is None or last.most_cycles is None:
            return None
        return last.least_cycles, last.most_cycles

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


def time_budget(built: Built, compared: EstimatorsCompared) -> FrameBudget:
    """Return the budget of a scenario's firmware.

    Parameters
    ----------
    built : Built
        The scenario, built.
    compared : EstimatorsCompared
        Counts of all estimators with C source. That of the scenario's own is used if the scenario
        is in whole numbers, and stored counts if they are of windows of its size; else the count
        by hand stands in, and the reason is given.
    """
    if not isinstance(built.parts.measurement.estimator, FixedEstimator):
        return _by_hand(
            built, "the scenario's estimator is none of this program's in whole numbers"
        )
    own = next((row for row in compared.rows if row.own), None)
    if own is None:
        return _by_hand(built, "the scenario's estimator has no C source")
    if own.where == "here":
        return _counted(built, own.counted, EMULATED, None)
    if compared.stored_window_px == tuple(built.resolved.camera.window_px):
        return _counted(built, own.counted, STORED, own.why_stored)
    return _by_hand(built, f"{own.why_stored}, and stored counts are of windows of another size")


def _counted(built: Built, found: Counted, how: str, why: str | None) -> FrameBudget:
    scenario, arithmetic = built.resolved, built.arithmetic
    processor, spots, clock = scenario.processor, arithmetic.spots, built.parts.clock
    frame = found.stage("frame")
    each = [s for s in found.stages if s.name != "frame"]
    times: list[float | None] = [None, None, None]
    if processor is not None and processor.clock_mhz is not None:
        per_us = processor.clock_mhz / processor.cycles_per_instruction
        ticks = (clock.ticks_per_frame - 1) * found.stage("drive").most
        times = [count * spots / per_us for count in (frame.mean, frame.most, frame.most + ticks)]
    return FrameBudget(
        how, why,
        tuple(_cost(s, s.name) for s in each) + (_cost(frame, "all stages"),),
        spots, times[0], times[1], arithmetic.spare_us, times[2], 1e6 * clock.frame_s,
        memory_budget(found, spots),
        f"{counted(spots, 'state')} of {found.state_bytes} B, a window of {found.spot_bytes} B "
        "as rows "
        f"arrive, stack {found.stack_bytes} B at most, variables {found.static_bytes} B; code and "
        f"tables, {found.code_bytes} B, lie elsewhere"
        + (f", and so do maps of all pixels, {found.map_bytes} B" if found.map_bytes else ""),
        None if processor is None else processor.memory_kb,
    )  # fmt: skip


def _cost(stage: StageCount, name: str) -> StageCost:
    return StageCost(
        name, stage.mean, float(stage.most), stage.least_cycles, stage.most_cycles
    )


def memory_budget(found: Counted, spots: int) -> int:
    """Return what states, one window, stack and variables take. [B]"""
    fixed = found.static_bytes + found.stack_bytes + found.spot_bytes
    return fixed + spots * found.state_bytes


def _by_hand(built: Built, reason: str) -> FrameBudget:
    arithmetic = built.arithmetic
    adds = arithmetic.multiply_adds
    stages = () if adds is None else (StageCost("estimator", float(adds), float(adds)),)
    memory = arithmetic.memory_bytes
    words = "the estimator states no cost" if memory is None else (
        f"{memory} B for the spot at hand; the states of the control law are not in it"
    )  # fmt: skip
    return FrameBudget(
        BY_HAND, reason, stages, arithmetic.spots, arithmetic.compute_us, arithmetic.compute_us,
        arithmetic.spare_us, None, 1e6 * built.parts.clock.frame_s, memory, words,
        arithmetic.memory_kb,
    )  # fmt: skip
