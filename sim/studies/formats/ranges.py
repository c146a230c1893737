"""Each word of the firmware: how far it can go, how far it went, and the format that follows."""

from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np

from sim.assembly.build import Built
from sim.firmware.calibrated.guard import FixedGuard
from sim.firmware.calibrated.lens import FixedLens
from sim.firmware.calibrated.pixels import FixedPixelCorrection
from sim.firmware.controller import FixedController
from sim.firmware.law_words import sum_bits
from sim.firmware.q_format import QFormat
from sim.firmware.spots.estimator import FixedEstimator
from sim.firmware.state_bounds import held_at_limits
from sim.studies.formats.examples import StateExample
from sim.studies.formats.measured import Measured

PIXEL_WORD, LONG_WORD = 32, 62
"""Bits of the C's words of sums; of 64 the model leaves two to round and to see overflow with."""
SPARE_BITS = 1
"""Beyond what a run reached, where nothing better is known."""


class WordRow(NamedTuple):
    """One word."""

    part: str
    """Estimator, controller, calibration or drive."""
    name: str
    given: str
    """The format in use."""
    bits: int
    """Of the format in use, sign included."""
    largest: float | None
    """Any input whatever; None: no such bound is known. [unit of the word]"""
    needed: int | None
    """Bits for that, sign included."""
    reached: int | None
    """In the run. [unit of the word]"""
    reached_bits: int | None
    proposed: int
    """Bits that are enough: proven where there is a bound; else what was reached and one more, or
    what a spot that is always seen needs."""
    verdict: str
    """`proven`: holds the largest value. `cut off`: left its word in the run. `can overflow`: the
    example takes it out of its word, the run did not. `not proven`: neither a bound is known nor an
    example."""
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


def word_rows(
    built: Built, found: Measured, examples: Sequence[StateExample] = ()
) -> tuple[WordRow, ...]:
    """Return all words of a scenario's firmware.

    Parameters
    ----------
    built : Built
        In whole numbers, as far as its parts can.
    found : Measured
        Of a run.
    examples : sequence of StateExample
        Of the law's states, see `examples_of`.
    """
    rows: list[WordRow] = []
    estimator: Any = built.parts.measurement.estimator
    if isinstance(estimator, FixedEstimator):
        rows += _estimator_rows(estimator, found)
    controller: Any = built.parts.controller
    if isinstance(controller, FixedController):
        rows += _controller_rows(controller, found, examples)
    rows += _calibrated_rows(built)
    if built.parts.coded is not None:
        words = built.parts.coded.words
        codes = words.highest - words.lowest + 1
        bits = int(codes).bit_length() - 1
        rows.append(
            _row("drive", "code of the DAC", f"{bits} bit", bits, words.highest, None,
                 "cut off at the lowest and the highest code by rule")
        )  # fmt: skip
    return tuple(rows)


def _calibrated_rows(built: Built) -> list[WordRow]:
    """Return the longest sums of what a calibration adds."""
    rows = []
    correction, lens = built.parts.measurement.correction, built.parts.believed_lens
    if isinstance(correction, FixedPixelCorrection) and correction.words.product_bits:
        bits = correction.words.product_bits
        word = PIXEL_WORD if bits <= PIXEL_WORD else LONG_WORD
        rows.append(
            _row("calibration", "product of pixel and gain", f"{word} bit", word,
                 (1 << (bits - 1)) - 1, None,
                 "a pixel at full scale, or at 0 under the largest level, with the largest gain")
        )  # fmt: skip
    controller, guard = built.parts.controller, built.parts.guard
    if isinstance(controller, FixedController):
        end = 1 << (controller.law.formats.position.bits - 1)
        squares = [
            ("squared place of the lens", lens, "a position at the end of its word"),
            ("squared distance of the guard", guard,
             "a spot and a neighbour's at opposite ends of their words"),
        ]  # fmt: skip
        rows += [
            _row("calibration", name, f"{LONG_WORD} bit", LONG_WORD,
                 found.words.largest_square(end), None, example)
            for name, found, example in squares
            if isinstance(found, FixedLens | FixedGuard)
        ]  # fmt: skip
    if isinstance(lens, FixedLens):
        rows.append(
            _row("calibration", "turned place of the lens", f"{LONG_WORD} bit", LONG_WORD,
                 lens.words.largest_sum, None, "a place as far as the lens straightens")
        )  # fmt: skip
    return rows


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


def _controller_rows(
    controller: FixedController, found: Measured, examples: Sequence[StateExample]
) -> list[WordRow]:
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
    known = {example.found.state: example for example in examples}
    for i, form in enumerate(f.states):
        reached = states[i] if states else None
        rows.append(_state_row(controller, i, form, reached, known.get(i)))
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


def _state_row(
    controller: FixedController, i: int, form: QFormat, reached: int | None,
    example: StateExample | None,
) -> WordRow:  # fmt: skip
    """Return the row of a state: a bound that holds, or the example that comes nearest."""
    law = controller.law
    any_order, seen = (float(bound[i]) for bound in controller.bounds)
    largest = any_order if np.isfinite(any_order) else None
    if held_at_limits(law)[i]:
        words = "cut off at the limits of the correction, by rule"
    elif law.previous[i]:
        words = "the last mismatch"
    elif example is None:
        words = "any input up to the largest, in any order of seen and lost frames"
    elif largest is not None:
        share = 100 * example.found.reached / largest
        words = f"any order of seen and lost frames; an input reaches {share:.0f} % of that"
    else:
        always = np.isfinite(seen) and seen <= form.highest
        reach = f"reaches {100 * example.share:.0f} % of the word"
        words = f"an input {'leaves the word' if example.found.leaves else reach}"
        words += "; proven if the spot is always seen" if always else ""
    row = _row("controller", f"state {i}", form.words, form.bits, largest, reached, words)
    if row.verdict in ("can overflow", "not proven"):
        leaves = example is not None and example.found.leaves
        row = row._replace(verdict="can overflow" if leaves else "not proven")
    if largest is None and np.isfinite(seen):
        row = row._replace(proposed=max(row.proposed, _bits(seen)))
    return row
