"""Word lengths: stalls by hand, knees of made curves, and the study of a small scenario."""

import json
from types import SimpleNamespace

import numpy as np
import pytest
from click.testing import CliRunner

from sim.assembly.build import build
from sim.cli.main import cli
from sim.firmware.fixed_law import FixedLaw, Formats
from sim.firmware.q_format import QFormat
from sim.firmware.rounding import Rounding
from sim.foundations.errors import ScenarioError
from sim.scenario.gallery import find
from sim.scenario.model import load_scenario
from sim.studies.formats.arithmetic import words_and_floats
from sim.studies.formats.cycles import loop_cycles
from sim.studies.formats.kept import keeping
from sim.studies.formats.knee import Knee, knee_of
from sim.studies.formats.loss import Loss, loss_of, more_of
from sim.studies.formats.measured import measured
from sim.studies.formats.ranges import word_rows
from sim.studies.formats.stalls import stalls_of, worded_sections
from sim.studies.formats.study import FormatsStudy
from sim.studies.formats.sweep import (
    SweepRow,
    lengths_of,
    with_bits,
    with_long_words,
    words_to_vary,
)
from sim.studies.run.make import make_run
from sim.studies.sweep.errors import SweepError
from sim.studies.sweep.store import FILE

STEP = "single_mirror_step"


def integrator(rounding, finer=0):
    """u += Q(e / 32), with so many more bits behind the point than e, by hand."""
    word = QFormat(32, 8)
    fine = QFormat(32, 8 + finer)
    rows = np.zeros((2, 1, 2, 2, 3), np.int64)
    rows[:, ..., 0, 1] = 32  # x = x + e / 32, in a row that is shifted by 5
    rows[0, ..., 0, 0] = 1 << finer
    rows[:, ..., 1, 1] = 1
    return FixedLaw(
        Formats(word, word, word, (fine,), fine), np.zeros((0, 1, 2, 5), np.int64), 0, rows,
        np.array([[5, 0], [5, 0]]), np.array([True]), np.array([False]),
        np.ones((1, 2, 1), np.int64), np.zeros(1, np.int64), rounding,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("rounding", "below", "above"),
    [("away", 15, -15), ("even", 16, -16), ("up", 15, -16), ("floor", 31, 0), ("zero", 31, -31)],
)
def test_an_integrator_stalls_where_its_increment_rounds_to_nothing(rounding, below, above):
    """By hand: abs(e) / 32 below a half to the nearest (the tie by the rule), below 1 to zero."""
    for stall in stalls_of(integrator(Rounding(rounding))):
        assert (stall.below, stall.above) == (below, above)


def test_more_bits_behind_the_point_shorten_the_stall():
    # By hand: with F more bits the increment is e 2^F / 32, so no stall from F = log2 32 on.
    found = [stalls_of(integrator(Rounding.AWAY, finer))[0].below for finer in (0, 1, 3, 4, 5)]
    assert found == [15, 7, 1, 0, 0]


def test_sections_of_a_law_have_their_noise_and_their_cycles():
    law = integrator(Rounding.UP)
    # 1000 Hz, Q 10 at 10 kHz in words of 2^-14 (a1 -25753, a2 15448): a sum of 10^5 terms.
    words = np.array([15911, -25753, 15911, -25753, 15448], np.int64)
    made = law._replace(
        sections=np.broadcast_to(words, (1, 1, 2, 5)), section_shift=14, rounding=Rounding.UP
    )
    row = worded_sections(made)[0]
    a1, a2 = -25753 / 2**14, 15448 / 2**14
    h = np.zeros(100_000)
    h[0] = 1.0
    h[1] = -a1
    for n in range(2, 600):
        h[n] = -a1 * h[n - 1] - a2 * h[n - 2]
    assert row.rounding_gain == pytest.approx((h**2).sum(), rel=1e-9)
    assert row.bound == pytest.approx(0.5 * np.abs(h).sum(), rel=1e-6)
    assert row.estimate == pytest.approx(0.5 / (1 - a2))
    assert max(-row.lowest, row.highest) <= row.bound
    assert row.highest > 0


def rows_for(changes, errors):
    return [
        SweepRow("controller.state_bits", bits, 10.0, 1.0, 0.0, more, error, 0, 0, None)
        for bits, more, error in zip(range(4, 10), changes, errors, strict=True)
    ]


def test_the_knee_is_where_a_curve_stays_within_one_percent_either_way():
    knee = knee_of("w", rows_for((90, 9, 0.5, 2.0, 0.9, 0.1), [0.02] * 6))
    assert (knee.knee, knee.sure, knee.recommended) == (8, 8, 8)
    unsure = knee_of("w", rows_for((90, 9, 0.7, 0.8, -0.9, 0.1), [0.3] * 6))
    assert (unsure.knee, unsure.sure, unsure.recommended) == (6, 9, 9)
    assert "6 bits are within it" in unsure.words
    lost = knee_of("w", rows_for((90, 9, 0.7, 0.8, 0.9, 0.1), [5.0] * 6))
    assert (lost.knee, lost.sure, lost.recommended) == (6, None, 7)
    assert "not sure" in lost.words
    short = knee_of("w", rows_for((90, 9, 5, 5, -3, -2), [0.1] * 6))
    assert short.recommended is None
    assert "no word that was tried" in short.words
    chance = knee_of("w", rows_for((90, 9, 5, 5, -3, -2), [4.0] * 6))
    assert chance.recommended is None
    assert chance.words.startswith("cannot tell: even 9 bits differ by -2.00")


def test_the_standard_error_of_paired_mirrors_is_that_of_a_bootstrap():
    # An independent route: mirrors drawn with replacement.
    rng = np.random.default_rng(2)
    b = rng.chisquare(20, 192) / 20
    a = b * (1.05 + 0.04 * rng.normal(size=192))
    blank = np.zeros(192)
    more, error = more_of(Loss(a, blank, 0.0, 0, 0), Loss(b, blank, 0.0, 0, 0))
    draws = rng.integers(0, 192, (4000, 192))
    spread = np.sqrt(a[draws].sum(axis=1) / b[draws].sum(axis=1))
    assert more == pytest.approx(np.sqrt(a.sum() / b.sum()) - 1)
    assert error == pytest.approx(spread.std(), rel=0.1)


def test_words_of_a_run_stay_within_what_is_proven():
    start = words_and_floats(load_scenario(find(STEP), ["duration_ms=160"]))
    rows = word_rows(build(start.scenario), measured(build(start.scenario)))
    names = {row.name for row in rows}
    assert {"the moment along x", "position", "correction", "code of the DAC"} <= names
    for row in rows:
        if row.reached is not None and row.largest is not None:
            assert 0 < row.reached <= row.largest, row
        assert row.verdict == "proven"
        assert row.needed <= row.bits


def test_a_sum_that_is_too_short_is_shown_with_its_frame():
    text = "estimator.arithmetic={kind='fixed',sum_bits=14,overflow='saturates'}"
    start = words_and_floats(load_scenario(find(STEP), ["duration_ms=160", text]))
    found = measured(build(start.scenario))
    # Word for word: with sums that are long enough no reading is FAILED for another reason.
    long = ["duration_ms=160", text.replace("sum_bits=14,", "")]
    assert measured(build(words_and_floats(load_scenario(find(STEP), long)).scenario)).failed == 0
    assert found.failed == found.sums_cut_off > 0
    bad = [row for row in word_rows(build(start.scenario), found) if row.verdict == "cut off"]
    assert bad
    assert "full scale" in bad[0].example
    refused = "estimator.arithmetic={kind='fixed',sum_bits=14}"
    with pytest.raises(ScenarioError, match="right of the middle at full scale"):
        build(load_scenario(find(STEP), [refused]))


def test_loops_rest_if_a_code_is_finer_than_a_position_and_swing_if_it_is_not():
    """An integral rests only where a code exists at which the mismatch is zero."""
    fixed = ['estimator.arithmetic={kind="fixed"}', 'controller.arithmetic={kind="fixed"}']
    coarse = loop_cycles(build(load_scenario(find(STEP), fixed)))
    assert coarse.code_rad > coarse.unit_rad
    assert 0 < coarse.cycling < coarse.plays
    assert coarse.codes == 1
    fine = loop_cycles(build(load_scenario(find(STEP), [*fixed, "drive.bits=18"])))
    assert fine.code_rad < fine.unit_rad
    assert fine.cycling == 0
    assert fine.offset_rad < 1.01 * fine.unit_rad
    assert loop_cycles(build(load_scenario(find(STEP)))) is None


def test_words_that_hang_on_each_other_follow():
    start = words_and_floats(load_scenario(find(STEP)))
    few = with_bits(start.scenario, "estimator.position_fraction", 2)
    assert few.estimator["arithmetic"]["table_fraction"] == 2
    assert few.estimator["arithmetic"]["position_bits"] == 10
    many = with_bits(start.scenario, "estimator.position_fraction", 11)
    assert many.controller["arithmetic"]["position_fraction"] == 11
    less = with_bits(start.scenario, "controller.position_fraction", 5)
    assert less.estimator["arithmetic"]["position_fraction"] == 5
    build(less)


def test_bad_words_are_refused():
    with pytest.raises(ScenarioError, match="whole numbers"):
        lengths_of(["estimator.position_fraction=4,x"])
    result = CliRunner().invoke(
        cli, ["formats", STEP, "--out", "nowhere", "--vary", "estimator.bits=4"]
    )
    assert result.exit_code == 2
    assert 'no word length. Did you mean "' in result.output


def test_a_study_that_is_stopped_goes_on_and_writes_what_it_finds(tmp_path, monkeypatch):
    """Stopped in its third run: nothing is written but the runs, which are not done again."""
    out, kept = tmp_path / "formats", tmp_path / "formats-runs"
    arguments = ["formats", STEP, "--out", str(out), "--set", "duration_ms=160",
                 "--vary", "estimator.position_fraction=3,9"]  # fmt: skip
    begun = []

    def run_of(*given, **more):
        begun.append(given)
        if len(begun) == 3:
            raise KeyboardInterrupt
        return make_run(*given, **more)

    monkeypatch.setattr("sim.studies.formats.sweep.make_run", run_of)
    stopped = CliRunner().invoke(cli, arguments)
    assert stopped.exit_code == 2
    assert "stopped: 3 of 6 runs are done and kept in" in stopped.output
    assert not out.exists()
    other = CliRunner().invoke(cli, [*arguments[:-1], "estimator.position_fraction=3,8"])
    assert other.exit_code == 2
    assert "holds another study of word lengths; list of word lengths: " in other.output
    lines = (kept / FILE).read_bytes()
    (kept / FILE).write_bytes(lines.replace(b'"cut_off":0', b'"cut_off":1', 1))
    damaged = CliRunner().invoke(cli, arguments)
    assert "changed after they were written" in damaged.output
    assert "--overwrite to start again" in damaged.output
    assert "--repair" not in damaged.output
    (kept / FILE).write_bytes(lines)

    def watched(built):
        raise AssertionError("the run whose words are watched is kept, too")

    monkeypatch.setattr("sim.studies.formats.study.measured", watched)
    result = CliRunner().invoke(cli, arguments)
    assert result.exit_code in (0, 1), result.output
    assert len(begun) == 5  # the third again, and the fourth; none is enough to run together
    assert "6 of 6 runs, done" in result.stderr
    assert not kept.exists()
    found = json.loads((out / "formats.json").read_text())
    runs = {row["bits"]: row for row in found["runs"]}
    # To the last bit what a run of its own gives.
    start = words_and_floats(load_scenario(find(STEP), ["duration_ms=160"]))
    first = with_bits(with_long_words(start), "estimator.position_fraction", 3)
    alone = loss_of(make_run(first, pictures=False))
    assert runs[3]["rms_urad"] == 1e6 * alone.rms_rad > runs[9]["rms_urad"]
    assert found["in_whole_numbers"] == ["estimator", "controller"]
    assert (out / "runs.csv").read_text().startswith("word,bits,rms_urad")
    page = (out / "report.html").read_text()
    assert "Fewest bits that are enough" in page
    assert "NaN" not in page


def test_words_are_varied_in_one_order_whatever_the_order_they_were_asked_for_in(tmp_path):
    """Kept runs are numbered by it: a run of one word is never taken for one of another."""
    start = words_and_floats(load_scenario(find(STEP)))
    first, second = "estimator.position_fraction=3", "controller.state_bits=20"
    one = words_to_vary(start, lengths_of([first, second]))
    swapped = words_to_vary(start, lengths_of([second, first]))
    assert list(one.items()) == list(swapped.items())
    # And were they not, the store would be another's.
    more = {"overwrite": False, "progress": None}
    with keeping(tmp_path / "runs", start, one, 6, **more) as kept:
        kept.of(3, lambda: Loss(np.ones(1), np.ones(1), 1.0, 0, 0))
    turned = dict(reversed(one.items()))
    with pytest.raises(SweepError, match="list of word lengths"):  # noqa: SIM117
        with keeping(tmp_path / "runs", start, turned, 6, **more):
            pass
    with keeping(tmp_path / "runs", start, swapped, 6, **more) as kept:
        assert kept.of(3, lambda: pytest.fail("done again")).excess_db == 1.0


def test_a_word_that_is_asked_for_twice_has_the_lengths_of_both():
    assert lengths_of(["w=3", "w=9,4"]) == {"w": (3, 9, 4)}


def test_a_run_reports_words_that_were_cut_off():
    fixed = ["duration_ms=160", 'controller.arithmetic={kind="fixed"}']
    figures = make_run(load_scenario(find(STEP), fixed), pictures=False).figures
    assert figures["whole_numbers"] == {
        "cut_off": 0, "mirrors": 0, "worst_mirror": None, "worst_mirror_cut_off": 0,
    }  # fmt: skip
    plain = make_run(load_scenario(find(STEP), ["duration_ms=160"]), pictures=False).figures
    assert "whole_numbers" not in plain


def test_words_are_enough_only_if_each_is_sure():
    """All together may differ by 2 %, twice what one word may."""
    plain = Loss(np.ones(1), np.ones(1), 1.0, 0, 0)
    start = SimpleNamespace(given=False)
    knee = Knee("estimator.position_fraction", 6, 6, 6, 0.1, 0.1, "")
    together = SimpleNamespace(more_pct=1.09, more_sd_pct=0.21, cut_off=0)

    def found(knee, more_pct):
        other = SimpleNamespace(**{**vars(together), "more_pct": more_pct})
        return FormatsStudy(
            start, None, plain, plain, None, (), (), (knee,), other, (), (), None, ()
        )

    assert found(knee, 1.09).verdict.startswith("Enough: 6 ")
    assert "by +1.09 ± 0.21 %; 2 % are tolerated" in found(knee, 1.09).verdict
    assert found(knee._replace(sure=None), 1.09).verdict.startswith("Not sure: 6 ")
    assert found(knee, 2.01).verdict.startswith("Not shown: 6 ")
