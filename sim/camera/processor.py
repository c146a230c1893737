"""What reads the spots: its speed turns a count of multiply-adds into time."""

from typing import Annotated

from sim.foundations.params import Block, Count, between


class ProcessorParams(Block):
    """One processor of the firmware, and what it serves.

    Valid for arithmetic that is counted, not scheduled: caches, interrupts and other tasks come
    on top, so a share of the time should stay free. From 0.001 to 1e9 multiply-adds per us.
    """

    multiply_adds_per_us: Annotated[float, between(1e-3, 1e9)]
    """Multiply-adds that it does, loads and stores included. [1/us]"""
    spots: Count | None = None
    """Spots that it reads in each frame; none: all mirrors of the switch. [-]"""
    memory_kb: Annotated[float, between(1e-3, 1e9)] | None = None
    """Memory for the spot at hand, beside code and frames; none: no limit. [kB]"""
    clock_mhz: Annotated[float, between(1e-3, 1e5)] | None = None
    """Clock; turns instructions that were counted into time. None: they are not timed. [MHz]"""
    cycles_per_instruction: Annotated[float, between(0.1, 100.0)] = 2.0
    """Cycles that an instruction takes, memory that waits included: an assumption to be replaced by
    a measurement. Of a Cortex-M4 most take one, loads two, taken branches two to four, divisions up
    to twelve (from memory of its manual). [-]"""
    readout_us: Annotated[float, between(0.0, 1e8)] = 0.0
    """Part of `camera.latency_us` that is not arithmetic: read-out, transfer, drive. [us]"""

    def compute_us(self, multiply_adds: int, fleet: int) -> float:
        """Return the time for one frame of all spots served, `fleet` if not stated. [us]"""
        spots = fleet if self.spots is None else self.spots
        return multiply_adds * spots / self.multiply_adds_per_us
