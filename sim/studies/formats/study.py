"""All that a study of word lengths finds."""

from collections.abc import Callable, Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import Any, NamedTuple

from sim.assembly.build import Built, build
from sim.firmware.controller import FixedController
from sim.scenario.model import Scenario
from sim.studies.formats.arithmetic import StartingWords, words_and_floats
from sim.studies.formats.cycles import LoopCycles, loop_cycles
from sim.studies.formats.examples import StateExample, examples_of
from sim.studies.formats.kept import keeping
from sim.studies.formats.knee import TOGETHER_PCT, TOLERATED_PCT, Knee, knee_of
from sim.studies.formats.loss import Loss, more_of
from sim.studies.formats.measured import Measured, measured
from sim.studies.formats.ranges import WordRow, word_rows
from sim.studies.formats.stalls import SectionRow, Stall, stalls_of, worded_sections
from sim.studies.formats.sweep import (
    FIRST_ROW,
    NAMES,
    WATCHED,
    SweepRow,
    row_of,
    runs_of,
    vary_words,
    with_all,
    with_long_words,
    words_to_vary,
)

TOGETHER = "all recommended"


class FormatsStudy(NamedTuple):
    """The result."""

    start: StartingWords
    built: Built
    """In whole numbers, with the start's words."""
    plain: Loss
    """In floating point."""
    base: Loss
    measured: Measured
    words: tuple[WordRow, ...]
    rows: tuple[SweepRow, ...]
    knees: tuple[Knee, ...]
    together: SweepRow | None
    """All recommended words at once; None if there is none."""
    stalls: tuple[Stall, ...]
    """Along x and y; empty if the controller is not in whole numbers."""
    sections: tuple[SectionRow, ...]
    cycles: LoopCycles | None
    examples: tuple[StateExample, ...]
    """How far inputs take the states of the law that go on by themselves."""

    @property
    def as_given(self) -> tuple[float, float]:
        """What the start's own words add to the residual, and its standard error. [%]"""
        more, error = more_of(self.base, self.plain)
        return 100 * more, 100 * error

    @property
    def given(self) -> bool:
        """Whether the scenario itself states words for all parts that are in whole numbers."""
        return self.start.given

    @property
    def overflows(self) -> tuple[WordRow, ...]:
        """Words that a run or a frame takes beyond, so that they are cut off."""
        return tuple(row for row in self.words if row.verdict == "cut off")

    @property
    def good(self) -> bool:
        """Whether words are enough as far as the runs go.

        No word is cut off, and the recommended ones together, and those given, change the residual
        by no more than `TOGETHER_PCT`.
        """
        if self.together is None or self.together.more_pct is None or self.overflows:
            return False
        if self.given and abs(self.as_given[0]) > TOGETHER_PCT:
            return False
        return abs(self.together.more_pct) <= TOGETHER_PCT and not self.together.cut_off

    @property
    def sure(self) -> bool:
        """Whether every word that was varied has a length that is sure to be enough."""
        return all(knee.sure is not None for knee in self.knees)

    @property
    def _head(self) -> str:
        """What is to be said of the words together: enough, or why not."""
        if not self.good:
            return "Not shown"
        return "Enough" if self.sure else "Not sure"

    @property
    def verdict(self) -> str:
        """In a few sentences."""
        named = [
            f"{knee.recommended} {NAMES[knee.word]}" for knee in self.knees if knee.recommended
        ]
        none = [NAMES[knee.word] for knee in self.knees if not knee.recommended]
        words = f"{self._head}: "
        words += f"{', '.join(named)}. " if named else "no word is enough. "
        if named and none:
            words += f"None is shown to be enough for {', '.join(none)}. "
        if named and self.good and not self.sure:
            words += (
                f"Too few mirrors or too short an interval to tell {TOLERATED_PCT:g} % a word from "
                "chance. "
            )
        if self.together is not None and self.together.more_pct is not None:
            words += (
                f"Together they change the residual of floating point, "
                f"{1e6 * self.plain.rms_rad:.2f} urad, by {self.together.more_pct:+.2f} ± "
                f"{self.together.more_sd_pct:.2f} %; {TOGETHER_PCT:g} % are tolerated. "
            )
        if self.given:
            more, error = self.as_given
            words += f"The words as given change it by {more:+.2f} ± {error:.2f} %. "
        if self.overflows:
            words += f"Cut off: {', '.join(row.name for row in self.overflows)}."
        else:
            proven = sum(row.verdict == "proven" for row in self.words)
            able = [row.name for row in self.words if row.verdict == "can overflow"]
            if proven == len(self.words):
                words += "No word overflows: proven for each."
            else:
                words += f"No word overflowed; that it cannot is proven for {proven} of "
                words += f"{len(self.words)}."
            if able:
                words += f" Others can: {', '.join(able)}."
        return words


def formats(
    scenario: Scenario, *, sweeps: Mapping[str, Sequence[int]] | None = None,
    folder: str | Path | None = None, overwrite: bool = False,
    progress: Callable[[int, int, int], None] | None = None,
) -> FormatsStudy:  # fmt: skip
    """Study the word lengths of a scenario's firmware.

    Parts that compute in floating point get fixed arithmetic where there is a form of it. Runs
    with one word length after the other are compared with one in floating point, under the same
    random numbers.

    Parameters
    ----------
    scenario : Scenario
        From `load_scenario`.
    sweeps : mapping of str to sequence of int, optional
        Word -> lengths, such as {"estimator.position_fraction": (4, 6, 8)}; all words otherwise.
    folder : str or Path, optional
        Keeps each run as it finishes: the same call goes on where the last one ended.
    overwrite : bool
        Whether what another study has kept there may be deleted.
    progress : callable, optional
        Called with (runs that were kept before, finished runs, all runs).

    Returns
    -------
    FormatsStudy

    Raises
    ------
    ScenarioError
        If neither part can compute in whole numbers, or a word is not known.
    SweepError
        If the folder keeps the runs of another study.
    Stopped
        If the user stopped it while runs were kept.
    """
    start = words_and_floats(scenario)
    words = words_to_vary(start, sweeps or {})
    built = build(start.scenario)
    place = None if folder is None else Path(folder)
    with keeping(
        place, start, words, runs_of(words), overwrite=overwrite, progress=progress
    ) as kept:
        found = kept.measured(WATCHED, lambda: measured(build(start.scenario)))
        plain, base, rows = vary_words(start, words, kept)
        knees = tuple(
            knee_of(word, [row for row in rows if row.word == word]) for word in words
        )
        lengths = {
            knee.word: knee.recommended for knee in knees if knee.recommended is not None
        }
        together = None
        if lengths:
            changed = partial(with_all, with_long_words(start), lengths)
            together = row_of(changed, TOGETHER, 0, plain, kept, FIRST_ROW + len(rows))
        kept.finish()
        controller: Any = built.parts.controller
        whole = isinstance(controller, FixedController)
        examples = examples_of(controller) if whole else ()
        return FormatsStudy(
            start, built, plain, base, found, word_rows(built, found, examples), rows, knees,
            together, stalls_of(controller.law) if whole else (),
            worded_sections(controller.law) if whole else (), loop_cycles(built), examples,
        )  # fmt: skip
