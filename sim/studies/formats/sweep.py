"""The same run with one word length after the other: what is lost, mirror by mirror, in pairs."""

from collections.abc import Callable, Mapping, Sequence
from functools import partial
from typing import Any, Final, NamedTuple

import numpy as np

from sim.foundations.errors import ScenarioError, nearest
from sim.foundations.ports import Array
from sim.results.hold import hold_of
from sim.results.traces import Traces
from sim.scenario.model import Scenario
from sim.studies.formats.arithmetic import StartingWords
from sim.studies.run.make import Run, make_run

SWEEPS: Final[Mapping[str, tuple[int, ...]]] = {
    "estimator.position_fraction": (2, 3, 4, 5, 6, 8, 10),
    "estimator.reciprocal_index_bits": (2, 3, 4, 5, 6, 8, 10),
    "estimator.table_bits": (4, 5, 6, 8, 10, 12),
    "controller.position_fraction": (4, 5, 6, 7, 8, 9, 10),
    "controller.coefficient_bits": (8, 9, 10, 12, 14, 16, 20),
    "controller.state_bits": (18, 20, 22, 24, 28, 32),
}
"""Word lengths that are varied, one at a time, and how. [bit]"""
LONG: Final[Mapping[str, Mapping[str, int]]] = {
    "estimator": {"position_fraction": 12, "position_bits": 24},
    "controller": {"position_fraction": 12, "coefficient_bits": 20, "state_bits": 32},
}
"""What the other words have meanwhile, so that each curve shows its own word alone. [bit]"""
NAMES: Final[Mapping[str, str]] = {
    "estimator.position_fraction": "fraction bits of positions",
    "estimator.table_bits": "bits of tabled weights",
    "controller.position_fraction": "fraction bits of references",
    "estimator.reciprocal_index_bits": "index bits of the reciprocal table",
    "controller.coefficient_bits": "bits of coefficients",
    "controller.state_bits": "bits of states",
}


class Loss(NamedTuple):
    """What a run has in the hold interval."""

    square_rad2: Array
    """(M,) mean squared radial error of each mirror. [rad^2]"""
    bias_rad2: Array
    """(M,) squared mean error. [rad^2]"""
    excess_db: float
    """Mean misalignment loss. [dB]"""
    lost: int
    """Frames with a lost spot."""
    cut_off: int

    @property
    def rms_rad(self) -> float:
        """Radial rms over mirrors. [rad]"""
        return float(np.sqrt(self.square_rad2.mean()))


class SweepRow(NamedTuple):
    """One word length."""

    word: str
    bits: int
    rms_urad: float | None
    """Residual pointing error, radial rms over the hold interval; None if refused. [urad]"""
    bias_urad: float | None
    excess_db: float | None
    """Mean misalignment loss. [dB]"""
    more_pct: float | None
    """Residual over that of floating point, less 1. [%]"""
    more_sd_pct: float | None
    """Standard error of it, from the mirrors, which draw their own noise. [%]"""
    cut_off: int
    """Words of the controller that were cut off."""
    lost: int
    refused: str | None
    """Why there is no such format."""


def loss_of(run: Run) -> Loss:
    """Return what a run has in its hold interval, mirror by mirror."""
    traces: Traces = run.outcome.traces
    hold = hold_of(run.built.resolved.metrics, float(traces.time_s[-1] * 1e3))
    held = hold.whole(traces.end_ticks, traces.interval_ticks, traces.tick_s)
    square = traces.error_square_rad2[held].astype(float).mean(axis=0)
    mean = traces.error_mean_rad[held].astype(float).mean(axis=0)
    cut_off = run.outcome.cut_off
    return Loss(
        square, (mean**2).sum(axis=-1), float(run.figures["coupling"]["excess_mean_db"]),
        int(run.figures["lost"]["frames"]), 0 if cut_off is None else int(cut_off.sum()),
    )  # fmt: skip


def more_of(found: Loss, against: Loss) -> tuple[float, float]:
    """Return residual over residual less 1, and its standard error; mirrors are pairs.

    The ratio of two sums over the same mirrors, whose scatter is that of the differences
    d_m = a_m - r b_m: the linear formula for a ratio of means, halved for the root.
    """
    a, b = found.square_rad2, against.square_rad2
    ratio = a.sum() / b.sum()
    apart = a - ratio * b
    n = len(a)
    error = np.sqrt((apart**2).sum() * n / max(n - 1, 1)) / b.sum()
    return float(np.sqrt(ratio) - 1.0), float(0.5 * error / np.sqrt(ratio))


def with_all(scenario: Scenario, lengths: Mapping[str, int]) -> Scenario:
    """Return a scenario with several word lengths changed."""
    for word, bits in lengths.items():
        scenario = with_bits(scenario, word, bits)
    return scenario


def with_bits(scenario: Scenario, word: str, bits: int) -> Scenario:
    """Return a scenario with one word length changed, and what hangs on it.

    Words of positions keep their whole bits, tables no more entries per pixel than positions have,
    and the law no fewer bits behind the point than the estimator: the other one follows.
    """
    section, name = word.split(".")
    trees = {key: dict(getattr(scenario, key)) for key in ("estimator", "controller")}
    own = dict(trees[section]["arithmetic"]) | {name: bits}
    if name == "reciprocal_index_bits":
        own["division"] = "reciprocal"
        own["newton_steps"] = 0
    if word == "estimator.position_fraction":
        own["table_fraction"] = min(bits, int(own.get("table_fraction", 4)))
        whole = int(own.get("position_bits", 16)) - int(
            scenario.estimator["arithmetic"].get("position_fraction", 8)
        )
        own["position_bits"] = min(32, max(8, whole + bits))
    trees[section]["arithmetic"] = own
    if name == "position_fraction":
        _follow(trees, section, bits)
    return scenario.replace(**trees)


def with_long_words(start: StartingWords) -> Scenario:
    """Return the start's scenario with all words long, its rounding and division kept."""
    trees = {}
    for section in start.fixed:
        tree = dict(getattr(start.scenario, section))
        trees[section] = tree | {"arithmetic": dict(tree["arithmetic"]) | dict(LONG[section])}
    return start.scenario.replace(**trees)


def _follow(trees: dict[str, dict[str, Any]], section: str, bits: int) -> None:
    """Change the bits behind the point of the other part where words would not fit."""
    other = "controller" if section == "estimator" else "estimator"
    own = trees[other].get("arithmetic")
    if own is None:
        return
    has = int(own.get("position_fraction", 8))
    if other == "controller":
        trees[other]["arithmetic"] = dict(own) | {"position_fraction": max(bits, has)}
    elif has > bits:
        table = min(bits, int(own.get("table_fraction", 4)))
        trees[other]["arithmetic"] = dict(own) | {
            "position_fraction": bits, "table_fraction": table,
        }  # fmt: skip


def lengths_of(asked: Sequence[str]) -> dict[str, tuple[int, ...]]:
    """Return word lengths from texts such as "estimator.position_fraction=4,6,8".

    Raises
    ------
    ScenarioError
        If a text is of another form.
    """
    found: dict[str, tuple[int, ...]] = {}
    for text in asked:
        word, _, lengths = text.partition("=")
        parts = [part.strip() for part in lengths.split(",")]
        if not all(part.isdecimal() and len(part) <= 3 for part in parts):
            raise ScenarioError(f'--vary needs "word=bits,bits", whole numbers (got {text!r})')
        found[word.strip()] = tuple(int(part) for part in parts)
    return found


def words_to_vary(
    start: StartingWords, asked: Mapping[str, Sequence[int]]
) -> dict[str, tuple[int, ...]]:
    """Return which words are varied: those asked for, else all whose part is in whole numbers."""
    useless = () if start.tables else ("estimator.table_bits",)
    wanted = asked or {
        word: SWEEPS[word]
        for word in SWEEPS
        if word.split(".")[0] in start.fixed and word not in useless
    }
    for word in wanted:
        if word not in SWEEPS:
            known = ", ".join(SWEEPS)
            raise ScenarioError(
                f'--vary: "{word}" is no word length.{nearest(word, SWEEPS)} Known: {known}.'
            )
        if word.split(".")[0] not in start.fixed:
            raise ScenarioError(f"{word}: {'; '.join(start.left_out)}")
    return {word: tuple(sorted(set(bits))) for word, bits in wanted.items()}


def vary_words(
    start: StartingWords, words: Mapping[str, Sequence[int]], progress: Callable[[int, int], None]
) -> tuple[Loss, Loss, tuple[SweepRow, ...]]:
    """Return the losses in floating point and with the start's words, and a row for each length.

    All runs draw the same random numbers.
    """
    total = 3 + sum(len(bits) for bits in words.values())
    plain = loss_of(make_run(start.plain, pictures=False))
    progress(1, total)
    base = loss_of(make_run(start.scenario, pictures=False))
    progress(2, total)
    rows: list[SweepRow] = []
    long = with_long_words(start)
    for word, lengths in words.items():
        for bits in lengths:
            changed = partial(with_bits, long, word, bits)
            rows.append(row_of(changed, word, bits, plain))
            progress(2 + len(rows), total)
    return plain, base, tuple(rows)


def row_of(changed: Callable[[], Scenario], word: str, bits: int, plain: Loss) -> SweepRow:
    """Run a scenario with other words, and return its row; also if there is no such format."""
    try:
        found = loss_of(make_run(changed(), pictures=False))
    except ScenarioError as exc:
        none: Any = None
        return SweepRow(word, bits, none, none, none, none, none, 0, 0, str(exc))
    more, error = more_of(found, plain)
    return SweepRow(
        word, bits, 1e6 * found.rms_rad, 1e6 * float(np.sqrt(found.bias_rad2.mean())),
        found.excess_db, 100 * more, 100 * error, found.cut_off, found.lost, None,
    )  # fmt: skip
