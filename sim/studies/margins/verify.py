"""A prediction held against the time simulation of the same scenario."""

from collections.abc import Callable
from typing import Any, Final, NamedTuple

from sim.scenario.model import Scenario
from sim.studies.run.make import make_run

AGREES: Final = (0.8, 1.25)
"""Simulated over predicted jitter that still counts as agreement. [-]"""


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

    @property
    def words(self) -> str:
        """Return the comparison in a sentence."""
        if self.jitter_urad is None or self.ratio is None:
            return "The simulation gave no jitter to compare with."
        text = (
            f"Simulated jitter {self.jitter_urad:.2f} urad against {self.predicted_urad:.2f} urad "
            f"predicted, ratio {self.ratio:.3f}"
        )
        if not self.agrees:
            text += f": the simulation DISAGREES (outside {AGREES[0]:g} to {AGREES[1]:g})"
        missed = [row["name"] for row in self.limits if not row["met"]]
        if missed:
            text += f"; limits missed in the simulation: {', '.join(missed)}"
        return text + "."


def verify(
    scenario: Scenario,
    predicted_rad: float,
    progress: Callable[[int, int], None] | None = None,
) -> Verified:
    """Run a scenario and compare its jitter with a prediction [rad]."""
    result = make_run(scenario, progress, pictures=False)
    jitter = result.figures["pointing"]["jitter_urad"]
    predicted = 1e6 * predicted_rad
    ratio = jitter / predicted if jitter is not None and predicted > 0 else None
    agrees = ratio is not None and AGREES[0] <= ratio <= AGREES[1]
    return Verified(predicted, jitter, ratio, agrees, result.limits, result.figures)
