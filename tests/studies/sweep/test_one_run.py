"""A run of a sweep is the run that `mirrorloop run` does."""

import json
import shlex

import pytest
from click.testing import CliRunner

from sim.cli.main import cli
from sim.kernels.threads import threads
from sim.results.table import FIGURE_OF
from sim.studies.sweep.one_run import one_run


def figure(results, name):
    group, key = name.split(".")
    return results[group][key]


@pytest.mark.parametrize("run", [0, 13])
def test_the_command_repeats_the_run_to_the_last_digit(plan, undisturbed, tmp_path, run):
    words = shlex.split(plan.command(run))
    assert words[0] == "mirrorloop" and words[-1] == f"run_{run}"
    done = CliRunner().invoke(cli, [*words[1:-1], str(tmp_path / words[-1])])
    outcome = undisturbed[0][run]
    assert done.exit_code == (1 if outcome.limits_missed else 0), done.output
    results = json.loads((tmp_path / words[-1] / "results.json").read_text())
    assert {name: figure(results, name) for name in FIGURE_OF} == outcome.figures
    missed = [row["name"] for row in results["limits"] if not row["met"]]
    assert list(outcome.limits_missed) == missed


def test_every_metric_has_a_value_or_none_and_seeds_differ(undisturbed):
    outcomes = undisturbed[0]
    assert all(set(o.figures) == set(FIGURE_OF) and o.error is None for o in outcomes.values())
    assert outcomes[0].figures["pointing.rms_urad"] != outcomes[1].figures["pointing.rms_urad"]
    missed = [bool(o.limits_missed) for o in outcomes.values()]
    assert any(missed) and not all(missed)  # so that both exit codes above are met


def test_what_cannot_be_run_says_why_and_leaves_the_threads_alone(plan):
    tree = json.loads(plan.scenarios[0])
    tree["controller"]["gainn"] = 1.0
    before = threads()
    outcome = one_run(json.dumps(tree), 1)
    assert outcome[:2] == ({}, ()) and "gainn: unknown key" in outcome.error
    assert threads() == before
