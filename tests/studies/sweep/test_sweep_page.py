"""The report of a sweep: what it says, and that its commands are those of its worst runs."""

import html
import re

import pytest

from sim.results.table import FIGURE_OF
from sim.studies.sweep.one_run import RunOutcome
from sim.studies.sweep.page import page_of
from sim.studies.sweep.plan import make_plan
from tests.studies.sweep.cases import NAME, QUICK


def test_the_worst_runs_are_the_worst_and_come_with_their_commands(plan, undisturbed):
    outcomes = undisturbed[0]
    page = html.unescape(page_of(plan, outcomes))
    blocks = re.findall(
        r"<div>(.*?): <strong>.*?</strong> \(run (\d+)\)</div>\s*<pre>(.*?)</pre>", page
    )
    rms = [int(run) for words, run, _ in blocks if words == "Pointing error, rms"]
    by_rms = sorted(outcomes, key=lambda r: -outcomes[r].figures["pointing.rms_urad"])
    assert rms == by_rms[:3]
    assert all(command == plan.command(int(run)) for _, run, command in blocks)
    missed = sum(bool(o.limits_missed) for o in outcomes.values())
    assert f"{missed} of 16 runs missed a limit." in page
    assert "<script" not in page and "http" not in page.replace("http://www.w3.org", "")


def made(n, **changes):
    return {
        run: RunOutcome(
            dict.fromkeys(FIGURE_OF, 1.0) | {k: v(run) for k, v in changes.items()}, (), None, 0.1
        )
        for run in range(n)
    }


def test_a_mirror_that_never_settled_is_worse_than_any_that_did():
    plan = make_plan(NAME, ("camera.bits=8,10",), seeds=2, overrides=QUICK)
    outcomes = made(4, **{"settling.max_ms": lambda run: None if run == 2 else run})
    page = page_of(plan, outcomes)
    found = re.search(r"Settling, slowest mirror: <strong>(.*?)</strong> \(run (\d)\)", page)
    assert found and found.groups() == ("never", "2")
    assert "Left out: 1 of 4 runs, without such a figure" in html.unescape(page)


def test_seeds_alone_give_a_share_with_its_interval():
    # Clopper and Pearson for 1 of 4 at 95 %: the beta quantiles give 0.63 and 80.59 %.
    plan = make_plan(NAME, (), seeds=4, overrides=QUICK)
    outcomes = made(4, **{"pointing.rms_urad": lambda run: float(run)})
    outcomes[1] = outcomes[1]._replace(limits_missed=("settling_max_ms",))
    page = page_of(plan, outcomes)
    assert "25.0 %, 95 % interval 0.6 to 80.6 %" in page
    assert "What matters" not in page


def test_runs_that_failed_are_shown_and_left_out():
    plan = make_plan(NAME, ("camera.bits=8,10",), seeds=2, overrides=QUICK)
    outcomes = made(4, **{"pointing.rms_urad": lambda run: float(run)})
    outcomes[3] = RunOutcome({}, (), "cannot <b>do</b> it", 0.1)
    page = page_of(plan, outcomes)
    assert "1 more could not be run" in page and "cannot &lt;b&gt;do&lt;/b&gt; it" in page


def test_all_failed_still_gives_a_page():
    plan = make_plan(NAME, (), seeds=2, overrides=QUICK)
    assert "2 more could not be run" in page_of(
        plan, dict.fromkeys(range(2), RunOutcome({}, (), "x", 0))
    )


def test_an_unfinished_sweep_has_no_page():
    plan = make_plan(NAME, (), seeds=3, overrides=QUICK)
    with pytest.raises(ValueError, match="outcomes must be one a run, 3, got 2"):
        page_of(plan, made(2))
