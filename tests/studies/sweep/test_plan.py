"""From what is varied to runs: order, samples as scipy gives them, and refusals."""

import json
import shlex

import numpy as np
import pytest
from scipy.stats import qmc

from sim.foundations.errors import ScenarioError
from sim.studies.sweep.errors import SweepError
from sim.studies.sweep.plan import check_plan, make_plan, unit_samples
from tests.studies.sweep.cases import NAME, QUICK

TWO = ("camera.signal_e=uniform(5000,20000)", "camera.read_noise_e=loguniform(2,20)")


def test_a_grid_is_crossed_in_full_and_in_order():
    plan = make_plan(NAME, ("camera.signal_e=1000,2000", "camera.read_noise_e=3..5/3"), seeds=2)
    assert plan.points == ((1000, 3), (1000, 4), (1000, 5), (2000, 3), (2000, 4), (2000, 5))
    assert plan.n_runs == 12
    first = json.loads(plan.scenarios[0])["seed"]
    assert [plan.of_run(r) for r in (0, 1, 2, 11)] == [
        (0, first), (0, first + 1), (1, first), (5, first + 1),
    ]  # fmt: skip
    assert json.loads(plan.scenarios[4])["camera"]["signal_e"] == 2000.0
    assert json.loads(plan.scenarios[4])["camera"]["read_noise_e"] == 4.0


def test_seeds_alone_can_be_varied():
    plan = make_plan(NAME, (), seeds=3, overrides=("seed=7",))
    assert (plan.points, plan.seeds) == (((),), (7, 8, 9))


def test_a_grid_of_distributions_has_the_middles_of_equally_likely_parts():
    plan = make_plan(NAME, ("camera.signal_e=uniform(0,8000)",), samples=4, design="grid")
    assert plan.points == ((1000.0,), (3000.0,), (5000.0,), (7000.0,))


def test_the_latin_hypercube_is_that_of_scipy():
    plan = make_plan(NAME, TWO, samples=10, overrides=("seed=3",))
    assert plan.design == "latin"
    u = qmc.LatinHypercube(2, rng=3).random(10)
    want = np.stack([5000 + 15000 * u[:, 0], 2 * 10 ** u[:, 1]], axis=1)
    np.testing.assert_allclose(plan.points, want, rtol=1e-14)
    # What a Latin hypercube is: one sample in each tenth of each quantity.
    got = unit_samples("latin", 2, 10, 3)
    assert (np.sort(np.floor(10 * got), axis=0) == np.arange(10)[:, None]).all()


def test_the_sobol_sequence_is_that_of_scipy():
    plan = make_plan(NAME, TWO, samples=16, design="sobol", overrides=("seed=3",))
    u = qmc.Sobol(2, scramble=True, rng=3).random(16)
    want = np.stack([5000 + 15000 * u[:, 0], 2 * 10 ** u[:, 1]], axis=1)
    np.testing.assert_allclose(plan.points, want, rtol=1e-14)


def test_every_combination_meets_the_same_samples():
    vary = (TWO[0], "camera.bits=8,10", TWO[1])
    plan = make_plan(NAME, vary, samples=4, design="sobol")
    assert (plan.combinations, plan.samples) == (2, 4)
    points = [(p[0], p[2]) for p in plan.points]
    assert points[:4] == points[4:]
    assert [p[1] for p in plan.points] == [8] * 4 + [10] * 4


def test_the_command_holds_all_that_was_set():
    plan = make_plan(
        NAME, ("camera.signal_e=1000,2000", "controller.kind=pi"), seeds=2,
        overrides=('title="a b"', "seed=5", "controller.kind=pi"),
    )  # fmt: skip
    words = shlex.split(plan.command(3))
    assert words[:3] == ["mirrorloop", "run", NAME]
    assert words[3::2][:5] == ["--set"] * 5
    assert 'title="a b"' in words and "camera.signal_e=2000" in words
    assert words[-4:] == ["--seed", "6", "--out", "run_3"]


@pytest.mark.parametrize(
    ("vary", "options", "message"),
    [
        (("camera.bits=8", "camera.bits=10"), {}, "--vary camera.bits: may be given once"),
        ((), {"seeds": 0}, r"--seeds must be 1 or more \(got 0\)"),
        ((), {"seeds": 2**32}, "--seeds 4294967296: seeds must stay below"),
        ((), {"samples": 4}, "--samples 4: no --vary gives a distribution"),
        ((), {"design": "sobol"}, "--design sobol: no --vary gives a distribution"),
        ((), {"design": "star"}, r"--design must be one of grid, latin, sobol \(got 'star'\)"),
        (TWO, {}, "--samples is needed"),
        (TWO, {"samples": 0}, r"--samples must be 1 or more \(got 0\)"),
        (TWO, {"samples": 20, "design": "sobol"}, "needs a power of two, 16 or 32"),
        (("camera.bits=8..12/5",), {"seeds": 300_000}, r"1000000 runs at most \(got 1500000\)"),
        (TWO, {"samples": 200_000}, "--samples 200000: a sweep may have 100000 points at most"),
    ],
)
def test_what_is_refused(vary, options, message):
    with pytest.raises(SweepError, match=message):
        make_plan(NAME, vary, **options)


@pytest.mark.parametrize(
    ("vary", "message"),
    [
        ("camera.signal_ee=1,2", "camera.signal_ee: unknown key. Did you mean"),
        ("camera.signal_e=1000,-5", r"camera.signal_e: .* \(got -5\)"),
        ("camera.bits=normal(8,1)", "camera.bits: .*integer"),
    ],
)
def test_every_point_is_checked_before_anything_runs(vary, message):
    with pytest.raises(ScenarioError, match=message):
        make_plan(NAME, (vary,), samples=4 if "(" in vary else None)


def test_a_sweep_of_which_no_point_can_be_run_is_refused():
    plan = make_plan(NAME, ("controller.integral_per_framee=1,2",), overrides=QUICK)
    with pytest.raises(ScenarioError, match="no point of the sweep can be run: .*framee"):
        check_plan(plan)
    mixed = make_plan(NAME, ("controller.integral_per_frame=-9.0,0.1",), overrides=QUICK)
    check_plan(mixed)
