"""Delays, names and false alarms of a watch, over kinds of faults and seeds."""

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from types import ModuleType
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.foundations.errors import ScenarioError
from sim.foundations.files.text import counted
from sim.foundations.ports import FAULT_WORDS, Array, FaultKind
from sim.kernels.threads import available
from sim.scenario.model import Scenario
from sim.studies.health.tail import Tail, tail_of
from sim.studies.health.trial import WatchedRun, watch_of, watched

LEVELS: Final = np.linspace(0.15, 1.5, 28)
"""Thresholds, over that of the watch, at which delay is set against false alarms."""


UNSEEN: Final = 2.0
"""A fault that moves a mirror by less, in standard deviations of a reading, is small: the loop
takes it back before it has been seen for long."""


class KindFound(NamedTuple):
    """What became of the faults of one kind."""

    row: dict[str, Any]
    """As it is filed."""
    curve_ms: Array
    """(L,) median delay at each of `LEVELS`; NaN where less than half were found. [ms]"""
    delays_ms: Array
    """(K,) of every struck mirror; inf: never found. [ms]"""


class HealthStudy(NamedTuple):
    """Everything that the study found."""

    kinds: list[KindFound]
    tail: Tail | None
    """Of healthy mirrors; None if too few were watched."""
    healthy_alarms: int
    """Of healthy mirrors in runs without a fault."""
    others: int
    """Of healthy mirrors while others were faulty."""
    seeds: int
    mirrors: int
    asked: float | None
    """False alarms per mirror and 1000 h that the watch is set to; None: it has no such setting."""

    @property
    def good(self) -> bool:
        """Whether every fault that can be seen at rest was found, no healthy mirror was accused,
        and the watch does not for certain raise more false alarms than it is set to.
        """
        found = all(each["at_rest"] for each in self.missed)
        return found and not self.healthy_alarms and not self.others and self.kept is not False

    @property
    def kept(self) -> bool | None:
        """Whether the rate of false alarms is at most the one that was asked for.

        Only if the whole interval of the extrapolation says so; None: not decided, or not known.
        """
        if self.tail is None or self.asked is None:
            return None
        low, high = self.tail.interval(1.0)
        return True if high <= self.asked else False if low > self.asked else None

    @property
    def missed(self) -> list[dict[str, Any]]:
        """The faults that were not found, in the order of the kinds."""
        return [each for kind in self.kinds for each in kind.row["not_found"]]

    @property
    def verdict(self) -> str:
        """In one or two sentences."""
        rows = [kind.row for kind in self.kinds]
        count, all_of = sum(r["found"] for r in rows), sum(r["mirrors"] for r in rows)
        slow = max(rows, key=lambda r: float("inf") if r["delay_median_ms"] is None
                   else r["delay_median_ms"])  # fmt: skip
        median = slow["delay_median_ms"]
        when = "less than half" if median is None else f"in the median after {median:.0f} ms"
        undecided = self.asked is not None and self.kept is None
        head = "Missed" if not self.good else "Not decided" if undecided else "Met"
        text = f"{head}: {count} of {counted(all_of, 'fault')} found; "
        text += f"slowest {slow['words']}, {when}. "
        text += _missed_words(self.missed)
        accused = self.healthy_alarms + self.others
        if accused:
            return f"{text}False alarms raised: {accused}."
        if self.tail is None:
            return f"{text}No false alarm; too little was watched to say how seldom they are."
        return f"{text}No false alarm; {self.rate_words}."

    @property
    def rate_words(self) -> str:
        """The extrapolated rate of false alarms, against the one that was asked for."""
        if self.tail is None:
            return "too little was watched to say how seldom false alarms are"
        low, high = self.tail.interval(1.0)
        text = (
            f"extrapolated, {_few(float(self.tail.at(1.0)))} per mirror and 1000 h "
            f"({_few(low)} to {_few(high)})"
        )
        if self.asked is None:
            return text
        if self.kept is False:
            return f"{text}, more than the {self.asked:g} asked for"
        said = "kept" if self.kept else "not decided by so short a time"
        return f"{text}; asked for: at most {self.asked:g}, {said}"


def _missed_words(missed: Sequence[Mapping[str, Any]]) -> str:
    """Return why faults were not found, where that is known."""
    small = [each for each in missed if each["at_rest"]]
    if not small:
        return ""
    who = ", ".join(f"{each['mirror']} ({each['kind']})" for each in small[:3])
    more = f" and {len(small) - 3} more" if len(small) > 3 else ""
    most = max(small, key=lambda each: each["off_scatters"])
    return (
        f"Not found: {who}{more}, where the fault moves the mirror by {most['off_urad']:.2g} "
        f"\N{MICRO SIGN}rad (readings scatter by {most['reading_scatter_urad']:.0f}): it cannot be "
        "seen unless the mirror moves. "
    )


def _few(value: float) -> str:
    """Return a rough number as it is read: one digit, without an exponent where it is short."""
    return f"{float(f'{value:.1g}'):g}"


def study(
    scenario: Scenario,
    *,
    seeds: int = 4,
    mirrors: int = 12,
    healthy: int | None = None,
    threads: int | None = None,
    kernels: ModuleType | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> HealthStudy:
    """Try the watch of a scenario with every fault of `health.trials`, and with none.

    Parameters
    ----------
    scenario : Scenario
        With a `[health]` block and trials.
    seeds : int
        Runs of each fault.
    mirrors : int
        Mirrors that a fault is put on in each of them.
    healthy : int, optional
        Runs without a fault; twice the seeds if left out.
    threads : int, optional
        Threads of the compiled kernels.
    kernels : module, optional
        As for `build`.
    progress : callable, optional
        Called with (finished, all) runs.

    Raises
    ------
    ScenarioError
        If the scenario has no watch or nothing to try it with, or a run cannot be done.
    """
    health = watch_of(scenario)
    if seeds < 1 or mirrors < 1:
        raise ScenarioError(f"--seeds and --mirrors: must be at least 1 (got {seeds}, {mirrors})")
    healthy = 2 * seeds if healthy is None else healthy
    threads = available() if threads is None else threads
    first, total, done = scenario.seeds.noise, healthy + seeds * len(health.trials), 0
    settled = int(np.ceil(1e-3 * health.trials_from_ms * scenario.camera.frame_hz))

    def run(trial: Any, number: int) -> WatchedRun:
        nonlocal done
        found = watched(
            scenario, trial, (first + number) % 2**32, mirrors=mirrors, threads=threads,
            kernels=kernels,
        )  # fmt: skip
        done += 1
        if progress is not None:
            progress(done, total)
        return found

    quiet = [run(None, 1000 + k) for k in range(healthy)]
    frame_ms = 1e3 / scenario.camera.frame_hz
    tail = tail_of([each.evidence[settled:] for each in quiet], frame_ms)
    kinds, others = [], 0
    for trial in health.trials:
        found = [run(trial, k) for k in range(seeds)]
        kinds.append(_kind(trial, found, tail))
        others += sum(_accused(each, ~each.struck) for each in found)
    alarms = sum(_accused(each, np.ones(len(each.struck), bool)) for each in quiet)
    return HealthStudy(kinds, tail, alarms, others, seeds, mirrors, quiet[0].asked)


def _accused(found: WatchedRun, which: NDArray[np.bool_]) -> int:
    """Return how many of some mirrors ever raised an alarm."""
    return int(((found.evidence >= 1.0) | (found.kind > 0))[:, which].any(axis=0).sum())


def _kind(trial: Any, runs: Sequence[WatchedRun], tail: Tail | None) -> KindFound:
    wanted = FaultKind[trial.found_as.upper()]
    frame_ms = runs[0].frame_ms
    after = [run.evidence[run.from_frame :, run.struck] for run in runs]
    delays = np.concatenate([first_passage(each, 1.0) for each in after]) * frame_ms
    curve = [
        _middle(np.concatenate([first_passage(each, level) for each in after]) * frame_ms)
        for level in LEVELS
    ]
    named = np.concatenate([run.kind[-1, run.struck] for run in runs])
    told = np.concatenate(
        [first_passage(run.kind[run.from_frame :, run.struck], 0.5) for run in runs]
    ) * frame_ms  # fmt: skip
    early = sum(int((run.evidence[: run.from_frame, run.struck] >= 1.0).any(axis=0).sum())
                for run in runs)  # fmt: skip
    found = np.isfinite(delays)
    settings = {k: v for k, v in trial.event.items() if k != "kind"}
    row = {
        "kind": trial.found_as,
        "words": FAULT_WORDS[wanted],
        "event": trial.event["kind"],
        "settings": settings,
        "mirrors": len(delays),
        "found": int(found.sum()),
        "detected": float(found.mean()),
        "delay_median_ms": _or_none(_middle(delays)),
        "delay_p95_ms": _or_none(_quantile(delays, 0.95)),
        "told_median_ms": _or_none(_middle(told)),
        "named_rightly": float((named == wanted).mean()),
        "named": {
            "nothing" if kind == 0 else FaultKind(kind).name.lower(): count
            for kind, count in sorted(Counter(named.tolist()).items())
        },
        "not_found": [
            {"kind": trial.found_as} | each
            for number, run in enumerate(runs) for each in _missed(run, number)
        ],
        "before_the_fault": early,
        "false_alarms_per_mirror_1000h": None if tail is None else float(tail.at(1.0)),
    }  # fmt: skip
    return KindFound(row, np.array(curve), delays)


def _missed(run: WatchedRun, number: int) -> list[dict[str, Any]]:
    """Return the struck mirrors that raised no alarm, and what is known of why."""
    never = run.struck & ~(run.evidence[run.from_frame :] >= 1.0).any(axis=0)
    rows = []
    for m in np.flatnonzero(never):
        scatter, off = float(run.scatter_rad[m].max()), float(run.off_rad[m])
        known = bool(np.isfinite(off) and scatter > 0)
        rows.append({
            "mirror": run.names[m], "run": number, "tilt_mrad": 1e3 * float(
                np.linalg.norm(run.tilt_rad[m])),
            "reading_scatter_urad": 1e6 * scatter,
            "off_urad": 1e6 * off if known else None,
            "off_scatters": off / scatter if known else None,
            "at_rest": bool(known and off < UNSEEN * scatter),
        })  # fmt: skip
    return rows


def first_passage(trace: NDArray[Any], level: float) -> Array:
    """Return the frames (K,) until each column of (T, K) first reaches a level; inf if never.

    A mirror that reaches it in its first frame has taken one frame.
    """
    over = trace >= level
    return np.where(over.any(axis=0), over.argmax(axis=0) + 1.0, np.inf)


def _quantile(delays: Array, share: float) -> float:
    """Return a quantile of delays of which some never end: the next larger one that was met."""
    ordered = np.sort(delays)
    return float(ordered[min(int(np.ceil(share * len(ordered))) - 1, len(ordered) - 1)])


def _middle(delays: Array) -> float:
    value = _quantile(delays, 0.5)
    return value if np.isfinite(value) else float("nan")


def _or_none(value: float) -> float | None:
    return value if np.isfinite(value) else None
