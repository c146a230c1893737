"""Gains of each axis, and gains that keep their demands over [uncertainty]."""

from dataclasses import replace

import numpy as np
import pytest

from sim.assembly.build import Built, build
from sim.foundations.errors import ScenarioError
from sim.scenario.model import load_scenario
from sim.studies.margins.demands import Demands, demands_of
from sim.studies.margins.margins import study
from sim.studies.margins.tune import tune
from tests.studies.margins.tuning import HARROW, PLAIN, SMALL


def test_gains_by_axis_are_no_worse_than_common_ones() -> None:
    built = build(load_scenario(HARROW, (*PLAIN, "mirror.resonance_hz=[700,1500]")))
    demands = Demands(1.4, 6.0, 30.0, None)
    got = tune(built, demands, each_axis=True)
    gains = got.chosen.settings["integral_per_frame"]
    assert len(gains) == 2 and gains[0] != gains[1]
    assert got.common is not None
    assert demands.cost_db(got.chosen) <= demands.cost_db(got.common) * (1 + 1e-3)
    tuned = build(built.resolved.replace(controller=got.chosen.settings))
    assert study(tuned, ()).ms_2x2.max() == pytest.approx(got.chosen.ms, rel=1e-3)


def changed(built: Built, factors: tuple[float, float, float], later_us: float) -> Built:
    """Return a switch with resonance, Q and gain times these, and its delay later."""
    parts, p = built.parts, built.parts.population
    mirrors = p._replace(
        resonance_rad_s=p.resonance_rad_s * factors[0], quality=p.quality * factors[1],
        calibration_ratio=p.calibration_ratio / factors[2],
    )  # fmt: skip
    ticks = parts.delay_ticks + round(1e-6 * later_us / parts.clock.tick_s)
    return built._replace(parts=replace(parts, population=mirrors, delay_ticks=ticks))


def test_robust_gains_keep_the_demands_at_every_corner() -> None:
    built = build(load_scenario(HARROW, (*PLAIN, "uncertainty.populations=1",
                                         "uncertainty.gain_pct=20", "duration_ms=400",
                                         "switch.connections=[[0,7]]")))
    demands = Demands(1.4, 6.0, 30.0, None)
    plain, robust = tune(built, demands), tune(built, demands, robust=True)
    kept = robust.robust
    assert kept is not None and kept.kept and len(kept.taken) > 0 and kept.looked.corners == 16
    assert robust.chosen.meets and "kept at all of them" in kept.words
    gain = "integral_per_frame"
    assert robust.chosen.settings[gain] < plain.chosen.settings[gain]
    # Second way: scenarios with other mirrors, studied as any other; in corners and in between.
    rng = np.random.default_rng(1)
    between = [(*(1 + rng.uniform(-1, 1, 3) * (0.05, 0.2, 0.2)), 50.0) for _ in range(4)]
    corners = [(1.05, 1.2, 1.2, 50.0), (0.95, 0.8, 1.2, 50.0), (1.05, 0.8, 0.8, 50.0)]
    for *factors, later_us in (*corners, *between):
        other = changed(built, tuple(factors), later_us)
        for outcome in (robust, plain):
            controller = build(built.resolved.replace(controller=outcome.chosen.settings))
            parts = replace(other.parts, controller=controller.parts.controller)
            ms = study(other._replace(parts=parts), (), with_steps=False).ms_2x2.max()
            if outcome is robust:
                assert ms <= 1.4 * 1.001, (ms, factors)
            elif factors[2] == 1.2:
                assert ms > 1.4


def test_gains_of_each_axis_go_on_searching_where_a_switch_misses() -> None:
    # Gains of each axis use up what common gains leave, so that the first ones miss a demand
    # somewhere in the ranges; common ones that keep it are no better.
    built = build(load_scenario(HARROW, (*PLAIN, "uncertainty.populations=1", "duration_ms=400",
                                         "uncertainty.gain_pct=20", "switch.connections=[[0,7]]")))
    got = tune(built, Demands(1.4, 6.0, 30.0, None), each_axis=True, robust=True)
    assert got.robust is not None and got.robust.kept and len(got.robust.taken) > 0
    assert got.chosen.meets and got.common is not None
    assert got.chosen.loss_db <= got.common.loss_db * (1 + 1e-9)


def test_gains_by_axis_are_refused_where_a_controller_has_none() -> None:
    built = build(load_scenario(HARROW, (*SMALL, 'controller={kind="smith",response_ms=5}')))
    with pytest.raises(ScenarioError, match='--by-axis: "smith" takes one value of response_ms'):
        tune(built, demands_of(built), each_axis=True)
