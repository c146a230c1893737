"""What gains must keep, and what is made least among those that keep it."""

import math
from typing import TYPE_CHECKING, Any, Final, NamedTuple

from sim.assembly.build import Built
from sim.foundations.errors import ScenarioError
from sim.foundations.files.text import counted

if TYPE_CHECKING:
    from sim.studies.margins.candidate import Candidate

SETTLING_SHARE: Final = 0.9
"""Share of the scenario's limit on settling that is aimed at: the prediction has a band. [-]"""
DARK_DB: Final = 10.0 / math.log(10.0)
"""Loss of the mean light, per share of the time without any, as long as that is small. [dB]"""
DEMANDED: Final = {
    "ms": ("Ms", ""),
    "gain_margin_db": ("gain margin", "dB"),
    "phase_margin_deg": ("phase margin", "deg"),
    "settling_ms": ("settling", "ms"),
}
"""Each demand's words and unit."""


class Demands(NamedTuple):
    """What every mirror must keep."""

    ms: float
    """Largest Ms of both axes together. [-]"""
    gain_margin_db: float
    """[dB]"""
    phase_margin_deg: float
    """[deg]"""
    settling_ms: float | None
    """Longest predicted settling; None: no demand. [ms]"""
    settling_weight: float = 0.0
    """What a millisecond of settling, the mean over connections, is worth; 0: the loss alone
    counts. [dB/ms]"""
    weighed_by: str = "as asked for"
    """Where the weight is from."""
    settling_by: str = "as asked for"
    """Where the demand on settling is from."""

    def cost_db(self, candidate: "Candidate") -> float:
        """Return what is made least: loss and weighted settling. [dB]"""
        if not self.settling_weight:
            return candidate.loss_db
        return candidate.loss_db + self.settling_weight * candidate.mean_settling_ms

    def missed(self, candidate: "Candidate", slack: float = 0.0) -> dict[str, float]:
        """Return by how much each demand that is not kept is missed, as a share of itself.

        `slack` tightens the margins. Nothing is kept by an unstable loop.
        """
        if not candidate.stable:
            return dict.fromkeys(self.asked, math.inf)
        c = candidate
        return self.missed_by(c.ms, c.gain_margin_db, c.phase_margin_deg, c.settling_ms, slack)

    def missed_by(
        self, ms: float, gain_margin_db: float, phase_margin_deg: float, settling_ms: float,
        slack: float = 0.0,
    ) -> dict[str, float]:  # fmt: skip
        """Return the same of the figures of stable loops."""
        tight = 1.0 + slack
        shares = {
            "ms": ms / self.ms * tight - 1.0,
            "gain_margin_db": _lack(gain_margin_db, self.gain_margin_db * tight),
            "phase_margin_deg": _lack(phase_margin_deg, self.phase_margin_deg * tight),
        }
        if self.settling_ms is not None:
            shares["settling_ms"] = (settling_ms - self.settling_ms) / max(self.settling_ms, 1e-9)
        return {name: share for name, share in shares.items() if share > 0}

    def met_by(self, candidate: "Candidate", slack: float = 0.0) -> bool:
        """Whether a candidate keeps all of it."""
        return candidate.stable and not self.missed(candidate, slack)

    @property
    def asked(self) -> tuple[str, ...]:
        """Names of the demands that there are."""
        nothing = {"ms": math.inf, "gain_margin_db": 0.0, "phase_margin_deg": 0.0,
                   "settling_ms": None}  # fmt: skip
        return tuple(name for name in DEMANDED if getattr(self, name) != nothing[name])

    def without(self, *names: str) -> "Demands":
        """Return the same without these demands; stable loops are asked for in any case."""
        nothing: dict[str, Any] = {"ms": math.inf, "gain_margin_db": 0.0, "phase_margin_deg": 0.0,
                   "settling_ms": None}  # fmt: skip
        return self._replace(**{name: nothing[name] for name in names})

    def alone(self, name: str) -> "Demands":
        """Return one demand without the others."""
        return self.without(*(other for other in DEMANDED if other != name))

    def words(self, name: str) -> str:
        """Return a demand as people say it, such as "settling at most 20 ms"."""
        noun, unit = DEMANDED[name]
        sense = "at most" if name in ("ms", "settling_ms") else "at least"
        return f"{noun} {sense} {getattr(self, name):g} {unit}".rstrip()

    @property
    def settling_words(self) -> str:
        """In a sentence which settling is demanded, and why; empty if none is."""
        if self.settling_ms is None:
            return ""
        return f"Settling demanded: {self.settling_ms:g} ms, {self.settling_by}."

    @property
    def objective(self) -> str:
        """In a sentence what is made least."""
        if not self.settling_weight:
            return (
                "Objective: the least predicted mean excess loss; time spent settling counts for "
                f"nothing ({self.weighed_by})."
            )
        return (
            "Objective: the least predicted mean excess loss, plus "
            f"{self.settling_weight:.3g} dB for each millisecond of settling, the mean over the "
            f"connections that move ({self.weighed_by})."
        )


def _lack(value: float, asked: float) -> float:
    return (asked - value) / max(asked, 1e-9) if value < asked else 0.0


def demands_of(
    built: Built,
    ms: float | None = None,
    gain_margin_db: float | None = None,
    phase_margin_deg: float | None = None,
    settling_ms: float | None = None,
    settling_weight: float | None = None,
    moves_per_hour: float | None = None,
) -> Demands:
    """Return the demands.

    Margins that are not given are those of the scenario's `[requirements]`; settling, if not given,
    is `SETTLING_SHARE` of the scenario's limit.

    Light counts as lost while a connection settles, so a millisecond of it costs 10/ln 10 dB times
    the moves of a connection in a millisecond. They are `moves_per_hour`, or what the scenario
    makes in its own duration; `settling_weight` [dB/ms] takes the place of both.

    Parameters
    ----------
    built : Built
        The scenario, built.
    ms : float, optional
        Largest sensitivity. [-]
    gain_margin_db, phase_margin_deg : float, optional
        Least margins. [dB, deg]
    settling_ms : float, optional
        Longest settling. [ms]
    settling_weight : float, optional
        Loss that a millisecond of settling stands for. [dB/ms]
    moves_per_hour : float, optional
        Of one connection. [1/h]

    Returns
    -------
    Demands
        What `tune` keeps and weighs.

    Raises
    ------
    ScenarioError
        If both a weight and a rate of moves are given.
    """
    if settling_weight is not None and moves_per_hour is not None:
        raise ScenarioError(
            "--settling-weight: --moves-per-hour says the same in another way; give one of them"
        )
    required = built.resolved.requirements
    if ms is None:
        ms = required.max_sensitivity
    if gain_margin_db is None:
        gain_margin_db = required.gain_margin_db
    if phase_margin_deg is None:
        phase_margin_deg = required.phase_margin_deg
    limit, settling_by = built.resolved.limits.settling_max_ms, "as asked for"
    if settling_ms is None and limit is not None:
        settling_ms = SETTLING_SHARE * limit
        settling_by = f"nine tenths of the scenario's limit of {limit:g} ms"
    weighed_by = "as asked for"
    if settling_weight is None:
        if moves_per_hour is None:
            rate_hz = moves_hz(built)
            weighed_by = "nothing moves in this scenario"
            if rate_hz:
                weighed_by = (
                    "light counts as lost while it lasts; a connection moves "
                    f"{_times(3600 * rate_hz)} an hour at the rate of this scenario itself"
                )
        else:
            rate_hz = moves_per_hour / 3600
            weighed_by = (
                "light counts as lost while it lasts; a connection moves "
                f"{_times(moves_per_hour)} an hour, as asked for"
            )
        settling_weight = DARK_DB * rate_hz * 1e-3
    return Demands(ms, gain_margin_db, phase_margin_deg, settling_ms, settling_weight, weighed_by,
                   settling_by)  # fmt: skip


def _times(per_hour: float) -> str:
    return counted(float(f"{per_hour:.0f}" if per_hour >= 100 else f"{per_hour:.3g}"), "time")


def moves_hz(built: Built) -> float:
    """Return how often a connection moves in a scenario, the mean over its connections. [1/s]"""
    commanded = [epoch for epoch in built.parts.epochs if epoch.commanded]
    shares = [
        float(epoch.moved[epoch.pairs].any(axis=-1).mean()) for epoch in commanded
        if len(epoch.pairs)
    ]  # fmt: skip
    clock = built.parts.clock
    return sum(shares) / (clock.n_frames * clock.frame_s)
