"""Whether the estimator's arithmetic fits the latency that the loop was designed for."""

from typing import NamedTuple

from sim.estimators import EstimatorKind
from sim.foundations.files.text import counted
from sim.scenario.model import Scenario


class Arithmetic(NamedTuple):
    """What the firmware computes in a frame; None where it is not known."""

    multiply_adds: int | None
    """For one spot. [-]"""
    spots: int
    """Spots that are read in each frame. [-]"""
    compute_us: float | None
    """For all of them on the scenario's processor. [us]"""
    spare_us: float
    """What `camera.latency_us` leaves beside read-out. [us]"""
    memory_bytes: int | None
    """For the spot at hand. [B]"""
    memory_kb: float | None
    """What the processor has for it. [kB]"""

    @property
    def fault(self) -> str | None:
        """Why it does not fit, in words; None if it does, or if that is not known."""
        if self.compute_us is not None and self.compute_us > self.spare_us:
            return (
                f"late: {self.compute_us:.0f} us of arithmetic for {counted(self.spots, 'spot')}, "
                f"{max(self.spare_us, 0.0):.0f} us until the deadline"
            )
        if None not in (self.memory_bytes, self.memory_kb):
            assert self.memory_bytes is not None and self.memory_kb is not None
            if self.memory_bytes > 1000 * self.memory_kb:
                return (
                    f"needs {self.memory_bytes / 1000:.3g} kB a spot, {self.memory_kb:g} kB are "
                    "there"
                )
        return None

    @property
    def words(self) -> str:
        """In one line."""
        if self.multiply_adds is None:
            return "the estimator states no cost, so no deadline is checked"
        count = f"{self.multiply_adds} multiply-adds for each of {counted(self.spots, 'spot')}"
        if self.compute_us is None:
            return f"{count}; no [processor] is stated, so no deadline is checked"
        verdict = "fits" if self.compute_us <= self.spare_us else "late"
        return (
            f"{count}, {self.compute_us:.0f} us a frame; {self.spare_us:.0f} us of "
            f"camera.latency_us are left for it: {verdict}"
        )


def arithmetic_of(scenario: Scenario, part: EstimatorKind | None) -> Arithmetic:
    """Return the arithmetic of an estimator, against the scenario's processor."""
    processor, camera = scenario.processor, scenario.camera
    geometry = scenario.switch.geometry
    fleet = geometry.ports_per_side + (geometry.outputs or geometry.ports_per_side)
    cost = None if part is None else part.cost
    if cost is None:
        return Arithmetic(None, fleet, None, camera.latency_us, None, None)
    found = cost(*camera.window_px)
    if processor is None:
        return Arithmetic(
            found.multiply_adds, fleet, None, camera.latency_us, found.bytes, None
        )
    return Arithmetic(
        found.multiply_adds,
        processor.spots or fleet,
        processor.compute_us(found.multiply_adds, fleet),
        camera.latency_us - processor.readout_us,
        found.bytes,
        processor.memory_kb,
    )
