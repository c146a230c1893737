"""A prediction held against the time simulation of the same scenario."""

from collections.abc import Callable
from typing import TYPE_CHECKING, Any, Final, NamedTuple

from controllers.analysis.linear_loop import Loop
from sim.foundations.files.text import counted
from sim.scenario.model import Scenario
from sim.studies.margins.margins import linear_of
from sim.studies.margins.plant import plant_of
from sim.studies.margins.predict import Band, agreement_band, residual
from sim.studies.margins.settling import settling_agrees, settling_band_ms
from sim.studies.margins.spectra import spectra_of
from sim.studies.run.make import make_run

if TYPE_CHECKING:
    from sim.studies.margins.tune import TuningResult

BANDS: Final = 120
"""Frequency bands from which the statistics of a run are taken. [-]"""


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
    settling_band_ms: tuple[float, float] | None
    """Simulated settling of the slowest mirror that counts as agreement. [ms]"""
    settling_agrees: bool
    band: Band
    """Simulated over predicted jitter that counts as agreement."""
    stopped: int = 0
    """Mirrors that the move would swing beyond their travel stops, which no prediction has."""

    @property
    def words(self) -> str:
        """Return the comparison in a sentence."""
        if self.jitter_urad is None or self.ratio is None:
            return "The simulation gave no jitter to compare with."
        text = (
            f"Simulated jitter {self.jitter_urad:.2f} urad against {self.predicted_urad:.2f} urad "
            f"predicted, ratio {self.ratio:.3f}"
        )
        if not self.band.holds(self.ratio):
            text += f": the simulation DISAGREES (outside {self.band.words})"
        else:
            text += f" ({self.band.low:.3f} to {self.band.high:.3f} counts as agreement)"
        text += self._settling_words()
        missed = [row["name"] for row in self.limits if not row["met"]]
        if missed:
            text += f"; limits missed in the simulation: {', '.join(missed)}"
        return text + "."


    def _settling_words(self) -> str:
        settling = self.figures["settling"]
        if self.settling_ms is None or not settling["count"]:
            return ""
        never = settling["unsettled"]
        late = f", {counted(never, 'mirror')} never" if never else ""
        found = "" if settling["max_ms"] is None else f" {settling['max_ms']:.1f} ms"
        text = f"; slowest settling{found}{late} against {self.settling_ms:.1f} ms predicted"
        low, high = self.settling_band_ms or (0.0, 0.0)
        if self.settling_agrees:
            return f"{text} ({low:.1f} to {high:.1f} ms counts as agreement)"
        text += f": the simulation DISAGREES (outside {low:.1f} to {high:.1f} ms)"
        if self.stopped:
            text += (
                f"; the move swings {counted(self.stopped, 'mirror')} against their travel stops, "
                "which the prediction leaves out"
            )
        return text


def verify_choice(
    outcome: "TuningResult", progress: Callable[[int, int], None] | None = None
) -> Verified:
    """Run the chosen gains, and compare jitter and settling with what was predicted of them.

    Parameters
    ----------
    outcome : TuningResult
        From `tune`.
    progress : callable, optional
        Called with (finished, all).

    Returns
    -------
    Verified
        Jitter [urad] and settling [ms], simulated beside predicted.
    """
    c, judge = outcome.chosen, outcome.judge
    own = judge.settled(c.settings, c.shaping)
    moves = judge.built.parts.epochs[-1].commanded
    return verify(
        judge.built.resolved.replace(controller=c.settings, shaping=c.shaping), c.jitter_rad,
        progress, 1e3 * float(own.slowest_s[1]) if moves else None, c.settling_interval_ms,
        int(judge.worlds[0].move(c.shaping).stopped.sum()),
    )  # fmt: skip


def verify(
    scenario: Scenario,
    predicted_rad: float,
    progress: Callable[[int, int], None] | None = None,
    settling_ms: float | None = None,
    settling_interval_ms: tuple[float, float] | None = None,
    stopped: int = 0,
) -> Verified:
    """Run a scenario and compare its jitter with a prediction [rad], and its slowest settling.

    Parameters
    ----------
    scenario : Scenario
        To run.
    predicted_rad : float
        Predicted jitter, radial rms. [rad]
    progress : callable, optional
        Called with frames done and frames in all.
    settling_ms, settling_interval_ms : optional
        Predicted settling of the slowest mirror: median, and 5 % and 95 %; not compared if left
        out. [ms]
    stopped : int
        Mirrors that the move would swing beyond their travel stops.
    """
    result = make_run(scenario, progress, pictures=False)
    jitter = result.figures["pointing"]["jitter_urad"]
    predicted = 1e6 * predicted_rad
    ratio = jitter / predicted if jitter is not None and predicted > 0 else None
    band = None
    if settling_ms is not None and settling_interval_ms is not None:
        band = settling_band_ms(settling_interval_ms, 1e3 / scenario.camera.frame_hz)
    settles = settling_agrees(band, result.figures["settling"])
    built = result.built
    loop, spectra = Loop(linear_of(built), plant_of(built)), spectra_of(built, BANDS)
    near = agreement_band(built, loop, spectra, residual(built, loop, spectra))
    return Verified(
        predicted, jitter, ratio, near.holds(ratio) and settles, result.limits, result.figures,
        settling_ms, band, settles, near, stopped,
    )  # fmt: skip
