"""Each word of the firmware: how far it can go, how far it went, and the format that follows."""

from typing import Any, NamedTuple

import numpy as np

from sim.assembly.build import Built
from sim.firmware.controller import FixedController
from sim.firmware.law_words import sum_bits
from sim.firmware.q_format import QFormat
from sim.firmware.spots.estimator import FixedEstimator
from sim.studies.formats.measured import Measured

SPARE_BITS = 1
"""Beyond what a run reached, where nothing better is known."""


class WordRow(NamedTuple):
    """One word."""

    part: str
    """Estimator, controller or drive."""
    name: str
    given: str
    """The format in use."""
    bits: int
    """Of the format in use, sign included."""
    largest: float | None
    """Any input whatever; None: no such bound. [unit of the word]"""
    needed: int | None
    """Bits for that, sign included."""
    reached: int | None
    """In the run. [unit of the word]"""
    reached_bits: int | None
    proposed: int
    """Bits that are enough: proven where there is a bound, else what was reached and one more."""
    verdict: str
    """`proven`: holds the largest value. `cut off`: left its word in the run. `can overflow`: the
    example takes it out of its word, the run did not. `not proven`: no bound is known."""
    example: str
    """What takes the word to its largest."""


def _bits(largest: float) -> int:
    return int(np.ceil(largest)).bit_length() + 1


def _row(
    part: str, name: str, given: str, bits: int, largest: float | None, reached: int | None,
    example: str, *, cut_off: bool = False,
) -> WordRow:  # fmt: skip
    needed = None if largest is None else _bits(largest)
    reached_bits = None if reached is None else _bits(reached)
    proposed = needed if needed is not None else (reached_bits or bits) + SPARE_BITS
    if needed is not None and needed <= bits:
        verdict = "proven"
    elif cut_off or (reached_bits is not None and reached_bits > bits):
        verdict = "cut off"
    else:
        verdict = "not proven" if needed is None else "can overflow"
    return WordRow(
        part, name, given, bits, largest, needed, reached, reached_bits, proposed, verdict, example
    )


def word_rows(built: Built, found: Measured) -> tuple[WordRow, ...]:
    """Return all words of a scenario's firmware.

    Parameters
    ----------
    built : Built
        In whole numbers, as far as its parts can.
    found : Measured
        Of a run.
    """
    rows: list[WordRow] = []
    estimator: Any = built.parts.measurement.estimator
    if isinstance(estimator, FixedEstimator):
        rows += _estimator_rows(estimator, found)
    controller: Any = built.parts.controller
    if isinstance(controller, FixedController):
        rows += _controller_rows(controller, found)
    if built.parts.coded is not None:
        words = built.parts.coded.words
        codes = words.highest - words.lowest + 1
        bits = int(codes).bit_length() - 1
        rows.append(
            _row("drive", "code of the DAC", f"{bits} bit", bits, words.highest, None,
                 "cut off at the lowest and the highest code by rule")
        )  # fmt: skip
    return tuple(rows)


def _estimator_rows(estimator: FixedEstimator, found: Measured) -> list[WordRow]:
    words: Any = estimator.words
    reached = {"light": found.light, "moment": found.moment if hasattr(words, "proven") else None}
    rows = []
    for each in estimator.ranges:
        seen = next((value for key, value in reached.items() if key in each.name), None)
        if "moment" in each.name and "weighted" in each.name:
            seen = None
        rows.append(
            _row("estimator", each.name, f"{words.sum_bits} bit", words.sum_bits, each.largest,
                 seen, each.example, cut_off=found.sums_cut_off > 0 and words.sum_bits < each.bits)
        )  # fmt: skip
    form: QFormat = words.verdict.position
    half = max(words.verdict.width, words.verdict.height) - 1
    rows.append(
        _row("estimator", "position", form.words, form.bits, half << (form.fraction - 1),
             found.position, "a spot on an outermost pixel")
    )  # fmt: skip
    return rows


def _controller_rows(controller: FixedController, found: Measured) -> list[WordRow]:
    law, ranges = controller.law, controller.ranges
    f = law.formats
    states, filters = found.states or (), found.filters
    rows = [
        _row("controller", "mismatch", f.position.words, f.position.bits,
             2 * ranges.position * 2.0**f.position.fraction, None,
             "reference and position at opposite ends of the drive")
    ]  # fmt: skip
    if len(law.sections):
        rows.append(
            _row("controller", "output of sections", f.value.words, f.value.bits,
                 ranges.filters * 2.0**f.value.fraction, None,
                 "the sum of the magnitudes of impulse responses: an input of that sign pattern")
        )  # fmt: skip
        rows.append(
            _row("controller", "memory of sections", f.memory.words, f.memory.bits,
                 ranges.filters * 2.0**f.memory.fraction, filters, "the same")
        )  # fmt: skip
    for i, (form, size, certain) in enumerate(
        zip(f.states, ranges.states, ranges.certain, strict=True)
    ):
        rows.append(
            _row("controller", f"state {i}", form.words, form.bits,
                 size * 2.0**form.fraction if certain else None,
                 states[i] if states else None,
                 "limits of the correction, or a bound over any order of readings" if certain
                 else "no bound while a spot is lost: twice that of a spot always seen")
        )  # fmt: skip
    rows.append(
        _row("controller", "correction", f.correction.words, f.correction.bits,
             ranges.correction * 2.0**f.correction.fraction, found.correction,
             "limits that move with the path")
    )  # fmt: skip
    for name, bits in sum_bits(law).items():
        rows.append(
            WordRow("controller", f"sum for {name}", "64 bit", 63, 2.0 ** (bits - 1), bits, None,
                    None, bits, "proven", "any words in the row")
        )  # fmt: skip
    return rows
