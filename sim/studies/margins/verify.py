"""A prediction held against the time simulation of the same scenario."""

from collections.abc import Callable
from typing import Any, Final, NamedTuple

from sim.scenario.model import Scenario
from sim.studies.run.make import make_run

AGREES: Final = (0.8, 1.25)
"""Simulated over predicted jitter that still counts as agreement. [-]"""


SETTLING_AGREES: Final = (0.75, 1.35)
"""Simulated over predicted settling of the slowest mirror that still counts as agreement. [-]"""
SETTLING_MS: Final = 3.0
"""So far apart it counts as agreement in any case: the slowest of some is a matter of noise."""


class Verified(NamedTuple):
    """What the simulation said."""

    predicted_urad: float
    """Predicted jitter, radial rms. [urad]"""
    jitter_urad: float | None
    """Simulated. [urad]"""
    ratio: float | None
    """Simulated over predicted. [-]"""
    agrees: bool
    limits: list[dict[str, Any]]
    """The scenario's limits, as `sim.results.limits.check_limits` returns them."""
    figures: dict[str, Any]
    """As in results.json."""
    settling_ms: float | None
    """Predicted settling of the slowest mirror; None where it was not compared. [ms]"""
    settling_agrees: bool

    @property
    def words(self) -> str:
        """Return the comparison in a sentence."""
        if self.jitter_urad is None or self.ratio is None:
            return "The simulation gave no jitter to compare with."
        text = (
            f"Simulated jitter {self.jitter_urad:.2f} urad against {self.predicted_urad:.2f} urad "
            f"predicted, ratio {self.ratio:.3f}"
        )
        if not AGREES[0] <= self.ratio <= AGREES[1]:
            text += f": the simulation DISAGREES (outside {AGREES[0]:g} to {AGREES[1]:g})"
        text += self._settling_words()
        missed = [row["name"] for row in self.limits if not row["met"]]
        if missed:
            text += f"; limits missed in the simulation: {', '.join(missed)}"
        return text + "."


    def _settling_words(self) -> str:
        settling = self.figures["settling"]
        if self.settling_ms is None or not settling["count"]:
            return ""
        late = f", {settling['unsettled']} mirrors never" if settling["unsettled"] else ""
        found = "" if settling["max_ms"] is None else f" {settling['max_ms']:.1f} ms"
        text = f"; slowest settling{found}{late} against {self.settling_ms:.1f} ms predicted"
        if self.settling_agrees:
            return text
        low, high = SETTLING_AGREES
        return text + (
            f": the simulation DISAGREES (outside {low:g} to {high:g} and more than "
            f"{SETTLING_MS:g} ms apart)"
        )


def settling_agrees(predicted_ms: float | None, settling: dict[str, Any]) -> bool:
    """Whether simulated settling, as in results.json, is within the band of a prediction."""
    if predicted_ms is None or not settling["count"]:
        return True
    if settling["unsettled"] or settling["max_ms"] is None:
        return False
    low, high = SETTLING_AGREES
    near = abs(settling["max_ms"] - predicted_ms) <= SETTLING_MS
    return bool(near or low <= settling["max_ms"] / predicted_ms <= high)


def verify(
    scenario: Scenario,
    predicted_rad: float,
    progress: Callable[[int, int], None] | None = None,
    settling_ms: float | None = None,
) -> Verified:
    """Run a scenario and compare its jitter with a prediction [rad], and its slowest settling."""
    result = make_run(scenario, progress, pictures=False)
    jitter = result.figures["pointing"]["jitter_urad"]
    predicted = 1e6 * predicted_rad
    ratio = jitter / predicted if jitter is not None and predicted > 0 else None
    settles = settling_agrees(settling_ms, result.figures["settling"])
    agrees = ratio is not None and AGREES[0] <= ratio <= AGREES[1] and settles
    return Verified(
        predicted, jitter, ratio, agrees, result.limits, result.figures, settling_ms, settles
    )
