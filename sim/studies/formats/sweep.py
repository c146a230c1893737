"""The same run with one word length after the other: what is lost, mirror by mirror, in pairs."""

from collections.abc import Callable, Mapping, Sequence
from functools import partial
from typing import Any, Final, NamedTuple

import numpy as np

from sim.foundations.errors import ScenarioError, nearest
from sim.scenario.model import Scenario
from sim.studies.formats.arithmetic import StartingWords
from sim.studies.formats.kept import KeptLosses
from sim.studies.formats.loss import Loss, loss_of, more_of
from sim.studies.run.make import make_run

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
WATCHED, PLAIN, BASE, FIRST_ROW = range(4)
"""Numbers of runs: whose words are watched, in floating point, with the start's words, rows."""
NAMES: Final[Mapping[str, str]] = {
    "estimator.position_fraction": "fraction bits of positions",
    "estimator.table_bits": "bits of tabled weights",
    "controller.position_fraction": "fraction bits of references",
    "estimator.reciprocal_index_bits": "index bits of the reciprocal table",
    "controller.coefficient_bits": "bits of coefficients",
    "controller.state_bits": "bits of states",
}


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

    A word that comes twice has the lengths of both.

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
        name = word.strip()
        found[name] = (*found.get(name, ()), *(int(part) for part in parts))
    return found


def words_to_vary(
    start: StartingWords, asked: Mapping[str, Sequence[int]]
) -> dict[str, tuple[int, ...]]:
    """Return which words are varied: those asked for, else all whose part is in whole numbers.

    In the order of `SWEEPS`, whatever the order they were asked for in.
    """
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
    return {word: tuple(sorted(set(wanted[word]))) for word in SWEEPS if word in wanted}


def runs_of(words: Mapping[str, Sequence[int]]) -> int:
    """Return how many runs a study takes at the most.

    One that is watched, two to compare with, each length, and all recommended ones, if there are.
    """
    return FIRST_ROW + 1 + sum(len(bits) for bits in words.values())


def vary_words(
    start: StartingWords, words: Mapping[str, Sequence[int]], kept: KeptLosses
) -> tuple[Loss, Loss, tuple[SweepRow, ...]]:
    """Return the losses in floating point and with the start's words, and a row for each length.

    All runs draw the same random numbers.
    """
    plain = kept.of(PLAIN, lambda: loss_of(make_run(start.plain, pictures=False)))
    base = kept.of(BASE, lambda: loss_of(make_run(start.scenario, pictures=False)))
    rows: list[SweepRow] = []
    long = with_long_words(start)
    for word, lengths in words.items():
        for bits in lengths:
            changed = partial(with_bits, long, word, bits)
            rows.append(row_of(changed, word, bits, plain, kept, FIRST_ROW + len(rows)))
    return plain, base, tuple(rows)


def row_of(
    changed: Callable[[], Scenario], word: str, bits: int, plain: Loss, kept: KeptLosses,
    number: int,
) -> SweepRow:  # fmt: skip
    """Run a scenario with other words, and return its row; also if there is no such format."""
    try:
        found = kept.of(number, lambda: loss_of(make_run(changed(), pictures=False)))
    except ScenarioError as exc:
        none: Any = None
        return SweepRow(word, bits, none, none, none, none, none, 0, 0, str(exc))
    more, error = more_of(found, plain)
    return SweepRow(
        word, bits, 1e6 * found.rms_rad, 1e6 * float(np.sqrt(found.bias_rad2.mean())),
        found.excess_db, 100 * more, 100 * error, found.cut_off, found.lost, None,
    )  # fmt: skip
