"""Every figure of a run, once: where it stands, what it is called, and what goes into it.

Limits, the command line, the page, sweeps and the documentation read this table.
"""

from collections.abc import Mapping
from typing import Any, Final, Literal, NamedTuple


class Figure(NamedTuple):
    """One figure of a run."""

    path: str
    """Group and key in `results.json`."""
    words: str
    symbol: str
    unit: str
    """Empty for a count."""
    includes: str
    """What it is taken over."""
    limit: str = ""
    """Name of the limit on it in the scenario's `[limits]`; empty if there is none."""
    headline: bool = False
    """Whether the command line shows it after a run."""
    worse: Literal["higher", "lower"] = "higher"
    said: str = ""
    """How a sentence says it, for what may be limited."""

    @property
    def heading(self) -> str:
        """The words, as a line begins with them."""
        return self.words[0].upper() + self.words[1:]

    def of(self, figures: Mapping[str, Any]) -> Any:
        """Return its value in what `sim.results.metrics.evaluate` returned; None if none."""
        group, key = self.path.split(".")
        return figures[group][key]

    def meets(self, value: Any, limit: float) -> bool:
        """Whether a value is inside a limit; one that does not exist is not."""
        if value is None:
            return False
        return bool(value <= limit if self.worse == "higher" else value >= limit)


_MOVED = "moved mirrors, over all commands"
_LIGHT = "connections with a moved mirror, over all commands"
_TICKS = "all mirrors, every drive tick of the hold interval"
_LOSS = "all connections, every drive tick of the hold interval"
_LIT = "all connections, every drive tick of the hold interval but dark intervals"
_SAMPLED = "the samples of the hold interval"

FIGURES: Final = (
    Figure("settling.max_ms", "settling, slowest mirror", "t_s,max", "ms",
           f"{_MOVED}; none if one never settles", "settling_max_ms", headline=True,
           said="slowest settling"),
    Figure("settling.p95_ms", "settling, 95th percentile", "t_s,95", "ms",
           f"{_MOVED}; those that never settle rank last"),
    Figure("settling.median_ms", "settling, median of those that did", "t_s,50", "ms", _MOVED),
    Figure("settling.unsettled", "mirrors that never settled", "n_u", "", _MOVED,
           "unsettled_max", headline=True, said="mirrors that never settled"),
    Figure("settling.excursions_after", "excursions after settling", "n_e", "", _MOVED),
    Figure("time_to_light.max_ms", "time to light, slowest connection", "t_l,max", "ms",
           f"{_LIGHT}; none if one never has light", "time_to_light_max_ms", headline=True,
           said="slowest time to light"),
    Figure("time_to_light.p95_ms", "time to light, 95th percentile", "t_l,95", "ms",
           f"{_LIGHT}; those that never have light rank last"),
    Figure("time_to_light.median_ms", "time to light, median of those that came", "t_l,50", "ms",
           _LIGHT),
    Figure("time_to_light.dark", "connections that never had light", "n_d", "", _LIGHT),
    Figure("pointing.rms_urad", "pointing error, rms", "e_rms", "urad", _TICKS,
           "rms_urad", headline=True, said="rms pointing error"),
    Figure("pointing.p99_urad", "pointing error, 99th percentile", "e_99", "urad",
           f"all mirrors, {_SAMPLED}", "p99_urad", headline=True,
           said="99th percentile of the pointing error"),
    Figure("pointing.max_urad", "pointing error, largest", "e_max", "urad", _TICKS,
           "max_urad", headline=True, said="largest pointing error"),
    Figure("pointing.bias_urad", "pointing error, bias", "e_b", "urad",
           "the mean error of each mirror over the hold interval, rms over mirrors"),
    Figure("pointing.jitter_urad", "pointing error, jitter", "e_j", "urad",
           "what is left of the rms without the bias"),
    Figure("coupling.mean_db", "insertion loss, mean", "L_mean", "dB", _LIT, headline=True),
    Figure("coupling.p99_db", "insertion loss, 99th percentile", "L_99", "dB",
           f"all connections, {_SAMPLED} but dark ones", "coupling_p99_db", headline=True,
           said="99th percentile of the insertion loss"),
    Figure("coupling.max_db", "insertion loss, largest", "L_max", "dB", _LOSS,
           "coupling_max_db", said="largest insertion loss"),
    Figure("coupling.excess_mean_db", "misalignment loss, mean", "X_mean", "dB", _LIT),
    Figure("coupling.excess_max_db", "misalignment loss, largest", "X_max", "dB", _LOSS,
           "excess_max_db", headline=True, said="largest misalignment loss"),
    Figure("coupling.aligned_max_db", "aligned loss, largest", "L_0,max", "dB",
           "all connections of the hold interval, every mirror on its aim"),
    Figure("coupling.outage_ms", "outage, worst connection", "t_o", "ms",
           "total time of one connection with misalignment loss above the outage limit, in the "
           "hold interval", "outage_ms", headline=True, said="outage"),
    Figure("coupling.outage_total_ms", "outage, all connections summed", "t_o,sum", "ms", _LOSS),
    Figure("coupling.dark_ms", "dark time, worst connection", "t_d", "ms",
           "sampling intervals of the hold interval in which misalignment loss exceeds 40 dB"),
    Figure("coupling.dark_total_ms", "dark time, all connections summed", "t_d,sum", "ms",
           "the same, over all connections"),
    Figure("lost.frames", "frames with a lost spot", "n_l", "", "all mirrors, the whole run",
           "lost_frames_max", headline=True, said="frames with a lost spot"),
    Figure("wrong_spots.passed", "readings of another mirror's spot, passed as good", "n_w", "",
           "all mirrors, the whole run; none without stray light of neighbours",
           "wrong_spots_passed_max", said="readings of another mirror's spot that passed as good"),
    Figure("wrong_spots.passed_pct", "the same, share of the good readings", "n_w/n", "%",
           "all mirrors, the whole run; none without stray light of neighbours"),
    Figure("wrong_spots.caught", "readings of another mirror's spot, caught", "n_wc", "",
           "all mirrors, the whole run; none without stray light of neighbours"),
    Figure("wrong_spots.false_alarms", "readings taken for another mirror's, wrongly", "n_wf", "",
           "all mirrors, the whole run; none without stray light of neighbours"),
    Figure("wrong_spots.shared", "frames with a neighbour's spot in the window", "n_ws", "",
           "all mirrors, the whole run; none without stray light of neighbours"),
    Figure("stops.longest_ms", "longest time at a travel stop", "t_st", "ms",
           "any one mirror, the whole run"),
    Figure("sway.max_mm", "sway of the core on its mounts, largest", "s_max", "mm",
           "all axes, the whole run; none without an isolator", "sway_max_mm",
           said="largest sway"),
    Figure("sway.clearance_pct", "sway, share of the clearance", "s_max/c", "%",
           "the axis that uses most of its clearance; none without an isolator",
           "sway_clearance_pct", said="share of the clearance that the sway takes"),
    Figure("events.recovery_ms", "recovery after events, slowest connection", "t_r", "ms",
           "connections with a mirror that an event struck, from the event's end until "
           "misalignment loss stays below the outage limit; none if one never does",
           "recovery_max_ms",
           headline=True, said="slowest recovery after an event"),
    Figure("events.outage_ms", "outage by events, worst connection", "t_o,e", "ms",
           "total time of one connection with a struck mirror above the outage limit, from each "
           "event's start to the run's end, the next move or the next event of its mirrors",
           "event_outage_max_ms", said="outage by events"),
    Figure("events.crosstalk_db", "crosstalk of struck beams, least loss", "L_x", "dB",
           "beams whose mirror A an event struck, in outputs of connections that it did not",
           "event_crosstalk_min_db", headline=True, worse="lower",
           said="loss of struck beams into other outputs"),
    Figure("events.missed_frames", "frames without a reading from the camera", "n_m", "",
           "all mirrors, the whole run: dropped, late, damaged, or of a board without power"),
)  # fmt: skip
"""In the order in which they are shown."""
FIGURE_OF: Final = {figure.path: figure for figure in FIGURES}
LIMITED: Final = {figure.limit: figure for figure in FIGURES if figure.limit}
"""The figure that each limit is about."""
