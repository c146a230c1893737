"""Frame budget of every estimator with C source, from stored counts and from the emulator."""

from pathlib import Path
from types import SimpleNamespace

import pytest
from click.testing import CliRunner

from sim.assembly.build import Built, build
from sim.cli.main import cli
from sim.firmware.emulator import ARM, missing
from sim.report.study_page import render_study
from sim.scenario.gallery import find
from sim.scenario.model import Scenario, load_scenario
from sim.studies.deadline.budget import BY_HAND, STORED, StageCost, time_budget
from sim.studies.deadline.kinds import KINDS, clock_mhz, compare_kinds, count_kind
from sim.studies.deadline.page import _culprit, page_of
from sim.studies.deadline.recount import CASE
from sim.studies.deadline.stored import stored_counts
from sim.studies.deadline.study import Deadline, DropRow, Residual

STAGES = ("pixels", "reading", "law", "drive")


@pytest.fixture(scope="module")
def scenario() -> Scenario:
    return load_scenario(find(CASE), [])


@pytest.fixture(scope="module")
def built(scenario: Scenario) -> Built:
    return build(scenario)


def test_every_estimator_with_c_source_has_a_stored_count() -> None:
    stored = stored_counts()
    assert set(stored.of) == set(KINDS) and len(KINDS) == 6
    assert ARM in stored.words and "qemu" in stored.words
    for count in stored.of.values():
        stages = [count.stage(name) for name in STAGES]
        frame = count.stage("frame")
        assert sum(s.mean for s in stages) == pytest.approx(frame.mean, rel=1e-9)
        assert max(s.most for s in stages) < frame.most <= sum(s.most for s in stages)


def test_times_memory_and_clock_by_hand(scenario: Scenario, built: Built) -> None:
    """Eight spots, two cycles an instruction at 200 MHz: 100 instructions a microsecond. Twenty
    ticks of the drive in a frame of 1 ms; 0.7 ms to the deadline."""
    compared = compare_kinds(scenario, emulate=False)
    most = {row.kind: row.counted.stage("frame").most for row in compared.rows}
    own = next(row for row in compared.rows if row.own)
    assert own.kind == "thresholded_centroid"
    budget = time_budget(built, compared)
    assert budget.counted == STORED and budget.why_not_here == "not asked for"
    assert budget.worst_us == pytest.approx(most[own.kind] * 8 / 100.0, rel=1e-12)
    drive = own.counted.stage("drive").most
    assert budget.busy_us == pytest.approx((most[own.kind] + 19 * drive) * 8 / 100.0, rel=1e-12)
    assert (budget.spare_us, budget.frame_us) == pytest.approx((700.0, 1000.0))
    assert budget.spots_in_time == int(700.0 / (most[own.kind] / 100.0)) >= 8
    assert not budget.late and not budget.overloaded
    count = own.counted
    assert budget.memory_bytes == 8 * count.state_bytes + count.spot_bytes + count.stack_bytes
    assert clock_mhz(most[own.kind], 8, 700.0, 2.0) == pytest.approx(
        most[own.kind] * 16 / 700.0, rel=1e-12
    )
    assert [row.kind for row in compared.rows] == sorted(most, key=lambda kind: most[kind])


def test_a_frame_that_is_in_time_may_still_be_too_much(scenario: Scenario) -> None:
    """A tick of 5 us is 200 a frame: 199 more ticks of 60 instructions for eight spots at 100 a
    microsecond are 955 us, on top of 596 us that are in time."""
    fast = scenario.replace(drive=scenario.drive.replace(update_khz=200.0), duration_ms=300.0)
    made = build(fast)
    budget = time_budget(made, compare_kinds(fast, emulate=False))
    assert not budget.late and budget.overloaded


def test_what_is_not_in_whole_numbers_is_counted_by_hand(scenario: Scenario) -> None:
    plain = dict(scenario.estimator)
    plain.pop("arithmetic")
    floating = scenario.replace(estimator=plain)
    budget = time_budget(build(floating), compare_kinds(floating, emulate=False))
    assert budget.counted == BY_HAND
    assert budget.why_not_here == (
        "the scenario's estimator is none of this program's in whole numbers"
    )


def test_the_page_compares_all_stage_by_stage(scenario: Scenario, built: Built) -> None:
    compared = compare_kinds(scenario, emulate=False)
    row = DropRow(0.0, Residual(15.0, 0.1), Residual(15.1, 0.1), None, 0.0)
    found = Deadline(time_budget(built, compared), compared, (32.0, 32.0), (row,), 2, 0, 0)
    page = page_of(scenario, found)
    table = page.sections[1].tables[0]
    assert {cells[0].split()[0] for cells in table.rows} == set(KINDS)
    assert all(cells[-1] == "stored" for cells in table.rows)
    for cells, each in zip(table.rows, compared.rows, strict=True):
        assert list(cells[1:5]) == [str(each.counted.stage(name).most) for name in STAGES]
    text = render_study(page)
    assert "Stored counts are of harrow_point_fixed_point, windows of 24 x 24 px" in text
    assert "in time" in text and "24 such processors" in text


def test_without_a_clock_the_page_says_which_one_it_takes(scenario: Scenario) -> None:
    """7451 instructions (or what is stored) of 192 spots at two cycles in 700 us."""
    bare = scenario.replace(processor=None)
    compared = compare_kinds(bare, emulate=False)
    row = DropRow(0.0, Residual(15.0, 0.1), Residual(15.1, 0.1), None, 0.0)
    found = Deadline(time_budget(build(bare), compared), compared, (32.0, 32.0), (row,), 2, 0, 0)
    page = page_of(bare, found)
    most = stored_counts().of["thresholded_centroid"].stage("frame").most
    assert f"192 spots in 700 us ask for {most * 192 * 2 / 700:.0f} MHz" in page.verdict
    assert list(page.sections[1].tables[1].head)[1] == "Clock for 192 spots [MHz]"
    assert "–" not in {cell for cells in page.sections[1].tables[1].rows for cell in cells}


@pytest.mark.skipif(missing() is not None, reason=str(missing()))
def test_the_emulator_counts_what_is_stored(scenario: Scenario) -> None:
    """The same compiler gives the same code; other vectors may meet a few instructions more.
    Another compiler: a quarter more or less."""
    stored = stored_counts().of["thresholded_centroid"]
    now = count_kind(scenario, "thresholded_centroid")
    same = now.compiler == stored.compiler
    for name in (*STAGES, "frame"):
        most = stored.stage(name).most
        assert now.stage(name).most == pytest.approx(most, rel=0.02 if same else 0.25), name
    if same:
        assert now.code_bytes == stored.code_bytes and now.state_bytes == stored.state_bytes


def test_the_docs_have_the_stored_counts() -> None:
    page = (Path(__file__).parents[3] / "docs" / "deadline.md").read_text(encoding="utf-8")
    for kind, count in stored_counts().of.items():
        numbers = [count.stage(name).most for name in (*STAGES, "frame")]
        numbers += [count.code_bytes, count.spot_bytes]
        row = " | ".join(f"{n:,}".replace(",", " ") for n in numbers)
        assert f"| `{kind}` | {row} |" in page


def test_a_time_that_is_none_is_refused_with_its_unit():
    done = CliRunner().invoke(cli, ["deadline", "x", "--jitter", "10%", "--out", "nowhere"])
    assert done.exit_code == 2 and "'10%' is not a valid number of us" in done.output


def test_the_stage_that_takes_most_is_named():
    """87 of 100 instructions; a single stage is no culprit."""
    stages = (StageCost("pixels", 80, 87), StageCost("law", 9, 13), StageCost("all stages", 1, 100))
    budget = SimpleNamespace(stages=stages, unit="instructions")
    assert "rows of the window (87 % of the instructions)" in _culprit(budget)
    assert _culprit(SimpleNamespace(stages=stages[:1])) == ""
