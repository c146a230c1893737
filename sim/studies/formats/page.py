"""The page of a study of word lengths."""

from collections.abc import Sequence
from typing import Final

from sim.foundations.files.text import counted
from sim.report.study_page import Section, StudyPage, Table
from sim.results.units import number
from sim.scenario.portable import portable_toml
from sim.studies.formats.knee import SURE, TOGETHER_PCT, TOLERATED_PCT, Knee
from sim.studies.formats.plots import curves
from sim.studies.formats.study import FormatsStudy
from sim.studies.formats.sweep import NAMES, SweepRow
from sim.studies.run.provenance import switch_words

ASSUMPTIONS: Final = (
    "One word length is varied at a time, all others being long; the recommended ones are then run "
    "together. All runs draw the same random numbers, so they differ by their words alone; the "
    "standard error is that of the mirrors, which draw their own noise.",
    f"Knee: the fewest bits from which on the residual stays within {TOLERATED_PCT:g} % of that of "
    f"floating point, either way. Sure: by {SURE:g} standard errors as well. All recommended words "
    f"together, and the words as given, may change it by {TOGETHER_PCT:g} %. It holds for this "
    "scenario, its noise and its disturbances: with less noise, fewer roundings are hidden.",
    "Ranges: interval analysis, for a window at full scale, positions and references at opposite "
    "ends of the drive, and any order of seen and lost frames; and what the run reached.",
    "Loops without noise: the linear mirrors at their aims, positions rounded as words, the "
    "integer law and whole codes; the pixels are not played.",
)
NO_BREAK: Final = "\N{NO-BREAK SPACE}"
FEW: Final = 10
"""Mirrors; a standard error from fewer is itself uncertain by a quarter or more."""


def formats_page(found: FormatsStudy) -> StudyPage:
    """Return the page; provenance is put in when it is filed."""
    scenario = found.start.scenario
    return StudyPage(
        title=f"Word lengths: {scenario.title}",
        question="How many bits do estimator and law need, and what happens with fewer?",
        verdict=found.verdict,
        good=found.good and found.sure,
        sections=[
            Section("What bits cost", _left_out(found), [_knees(found)], [curves(found)]),
            Section("Each word, how far it can go", _overflow(found),
                    [_words(found), *_examples(found)]),
            Section("Where the integer loop stands still or swings", _still(found),
                    _sections(found)),
            Section("All runs", (), [_rows(found.rows)]),
        ],
        notes=[*found.built.warnings, *ASSUMPTIONS],
        scenario_toml=portable_toml(scenario),
        strip=[
            ("switch", switch_words(scenario)),
            ("in whole numbers", " and ".join(found.start.fixed)),
            ("mirrors", str(len(found.built.parts.mirrors))),
        ],
    )  # fmt: skip


def _left_out(found: FormatsStudy) -> list[str]:
    more, error = found.as_given
    words = (
        f"Residual in floating point {1e6 * found.plain.rms_rad:.2f} urad, radial rms over the "
        "hold interval. The words of the scenario, or those proposed where it has none, change it "
        f"by {more:+.2f} ± {error:.2f} %."
    )
    mirrors = len(found.built.parts.mirrors)
    few = [f"Only {counted(mirrors, 'mirror')}: the standard errors themselves are hardly known."]
    left_out = [f"In floating point: {each}." for each in found.start.left_out]
    return [words, *(few if mirrors < FEW else ()), *left_out]


def _knees(found: FormatsStudy) -> Table:
    rows = [_knee(knee) for knee in found.knees]
    if found.together is not None:
        t = found.together
        rows.append([
            "all recommended together", "", "", _change(t.more_pct, t.more_sd_pct),
            t.refused or f"{counted(t.cut_off, 'word')} cut off",
        ])  # fmt: skip
    head = ["Word", "Knee [bit]", "Recommended [bit]", "Residual against floating point",
            "How sure"]  # fmt: skip
    return Table("Fewest bits that are enough", head, rows)


def _knee(knee: Knee) -> list[str]:
    def cell(bits: int | None) -> str:
        return "none" if bits is None else str(bits)

    return [
        NAMES[knee.word], cell(knee.knee), cell(knee.recommended),
        _change(knee.cost_pct, knee.cost_sd_pct), knee.words,
    ]  # fmt: skip


def _change(more: float | None, error: float | None) -> str:
    if more is None or error is None:
        return "none"
    return f"{more:+.2f} ± {error:.2f} %".replace(" ", NO_BREAK)


def _overflow(found: FormatsStudy) -> list[str]:
    return [*_cut_off(found), *_worst(found)]


def _worst(found: FormatsStudy) -> list[str]:
    """Say what the worst inputs of the states are, and what an order that grows means."""
    if not found.examples:
        return []
    texts = [
        "States that go on by themselves: mismatches and limits of the correction jump between "
        "their ends, which no drive does, so bounds hold whatever comes in. formats.json holds the "
        "worst inputs frame by frame."
    ]
    orders = list(dict.fromkeys(each.found.period for each in found.examples if each.found.period))
    if orders:
        quoted = " or ".join(f'"{order}"' for order in orders)
        texts.append(
            f"In the repeated order {quoted} (1 seen, 0 lost) the observer itself grows without a "
            "bound: no word of its states is long enough. Design it for more noise, or for wider "
            "lines."
        )
    return texts


def _cut_off(found: FormatsStudy) -> list[str]:
    cut = (
        f"Cut off in the run: {counted(found.measured.cut_off, 'word')} of the law, and sums over "
        f"pixels of {counted(found.measured.sums_cut_off, 'reading')}."
    )
    if found.overflows:
        few = [
            f"{row.part}, {row.name}: {row.bits} bits are too few for {row.example}."
            for row in found.overflows
        ]
        return [cut, *few]
    return [
        cut,
        "Proven: the largest value that any input can give fits the word; the last column says "
        "which input that is. Can overflow: that input takes it out of its word, though the run "
        "did not; words saturate, so the state is then wrong and does not wrap. Not proven: "
        "neither such a bound nor such an input is known; one bit more than the run reached, or "
        "what a spot that is always seen needs, is proposed.",
    ]


def _words(found: FormatsStudy) -> Table:
    rows = []
    for row in found.words:
        rows.append([
            f"{row.part}: {row.name}", row.given, str(row.bits),
            "none" if row.needed is None else str(row.needed),
            "not watched" if row.reached_bits is None else str(row.reached_bits),
            str(row.proposed), row.verdict, row.example,
        ])  # fmt: skip
    head = ["Word", "Format", "Bits", "Needed by any input", "Reached in the run", "Proposed",
            "Overflow", "Largest by"]  # fmt: skip
    return Table("Bits of each word, sign included", head, rows)


def _examples(found: FormatsStudy) -> list[Table]:
    if not found.examples:
        return []
    rows = []
    for each in found.examples:
        limit = "none known" if each.bound is None else f"{100 * each.bound / each.word_end:.1f} %"
        always = (
            "none known" if each.bound_seen is None
            else f"{100 * each.bound_seen / each.word_end:.1f} %"
        )  # fmt: skip
        end = "leaves its word" if each.found.leaves else f"{100 * each.share:.1f} %"
        rows.append([
            f"state {each.found.state}, axis {'xy'[each.found.axis]}", limit, always, end,
            each.words,
        ])  # fmt: skip
    head = ["State", "Bound, any order of lost frames", "Bound, always seen",
            "Worst input found, played in words", "That input"]  # fmt: skip
    return [Table("States that go on by themselves, as a share of their word", head, rows)]


def _still(found: FormatsStudy) -> list[str]:
    texts = []
    loop = found.cycles
    if loop is None:
        return ["The controller is not in whole numbers."]
    for axis, stall in zip("xy", found.stalls, strict=True):
        if stall.below or stall.above:
            texts.append(
                f"Dead band, axis {axis}: constant mismatches from {stall.above} to {stall.below}, "
                "in units of position, leave the correction where it is: its integral stalls."
            )
        else:
            texts.append(f"No dead band along {axis}: a mismatch of one unit of position moves it.")
    share = f"{loop.cycling} of {counted(loop.plays, 'loop')} without noise"
    if loop.cycling:
        frames = loop.period_frames
        period = "" if frames is None else f", period {counted(frames, 'frame')}"
        texts.append(
            f"{share} {'never comes' if loop.cycling == 1 else 'never come'} to rest and "
            f"swing{'s' if loop.cycling == 1 else ''} by up to {1e6 * loop.largest_rad:.1f} urad "
            f"peak to peak ({1e6 * loop.typical_rad:.1f} urad in the median){period}, "
            f"over {counted(loop.codes, 'code')} of the DAC. One unit of "
            f"position is {1e6 * loop.unit_rad:.2f} urad, one code {1e6 * loop.code_rad:.2f} urad: "
            "a code coarser than a position leaves no code at which the mismatch is zero."
        )
    else:
        texts.append(f"{share} swing: all come to rest.")
    texts.append(f"What is left on the mean: up to {1e6 * loop.offset_rad:.2f} urad.")
    return texts


def _sections(found: FormatsStudy) -> list[Table]:
    if not found.sections:
        return []
    rows = []
    for s in found.sections:
        swing = "rests" if s.lowest == s.highest == 0 else f"{s.lowest} to {s.highest}"
        rows.append([
            f"{s.number + 1}, axis {s.axis}", f"{s.a1:.6f}, {s.a2:.6f}",
            number(s.input_gain, "", 3), number(s.rounding_gain, "", 3),
            ", ".join(number(each, "", 3) for each in s.peak), swing,
            number(s.estimate, "", 3), number(s.bound, "", 3),
        ])  # fmt: skip
    head = ["Section", "a1, a2", "Noise gain", "Rounding gain", "Largest output, memories",
            "Zero-input cycles", "Estimate", "Bound"]  # fmt: skip
    caption = (
        "Sections of the first mirror, transposed direct form II, memory never rounded, in units "
        "of the output word. Estimate: Jackson's 0.5/(1 - a2), no bound"
    )
    return [Table(caption, head, rows)]


def _rows(rows: Sequence[SweepRow]) -> Table:
    cells = []
    for row in rows:
        if row.refused is not None or row.rms_urad is None:
            cells.append([NAMES[row.word], str(row.bits), "none", "", "", "", row.refused or ""])
            continue
        cells.append([
            NAMES[row.word], str(row.bits), f"{row.rms_urad:.2f}", f"{row.bias_urad:.2f}",
            f"{row.excess_db:.5f}", _change(row.more_pct, row.more_sd_pct),
            f"{row.cut_off} cut off, {row.lost} lost" if row.cut_off or row.lost else "",
        ])  # fmt: skip
    head = ["Word", "Bits", "Residual [urad]", "Of it bias [urad]", "Mean misalignment loss [dB]",
            "Residual against floating point", "Remarks"]  # fmt: skip
    if not any(row[-1] for row in cells):
        head, cells = head[:-1], [row[:-1] for row in cells]
    return Table("One word at a time", head, cells)
