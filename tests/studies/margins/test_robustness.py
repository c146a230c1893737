"""Changes of the plant: at no change nothing changes; known directions; the fastest loop."""

import json
from itertools import product
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from sim.assembly.build import build
from sim.cli.main import cli
from sim.scenario.model import load_scenario
from sim.studies.margins.demands import Demands
from sim.studies.margins.margins import linear_of, study
from sim.studies.margins.robustness import changed, fastest
from sim.studies.margins.together import together
from sim.studies.margins.uncertain import box_of
from sim.studies.margins.worst import DRAWN, figures_at, look

ROOT = Path(__file__).parents[3]
HARROW = ROOT / "scenarios" / "harrow_point_reconfigure.toml"
SMALL = ("switch.connections=[[0,7],[13,20]]", "switch.moves=[]", "metrics.hold_from_ms=100",
         "duration_ms=300")  # fmt: skip


def test_no_change_is_the_margin_study_and_gain_only_moves_the_margin() -> None:
    built = build(load_scenario(HARROW, SMALL))
    points = {(p.what, round(p.factor, 6)): p for p in changed(built)}
    ms = study(built, ()).ms_2x2.max()
    for what in ("resonance", "quality", "gain", "delay", "frame rate"):
        assert points[what, 1.0].ms == pytest.approx(ms, rel=2e-3)
    here, more = points["gain", 1.0], points["gain", 1.2]
    assert here.gain_margin_db is not None and more.gain_margin_db is not None
    # Exact: 20 % more gain takes 20 log10 1.2 = 1.584 dB off the gain margin.
    assert here.gain_margin_db - more.gain_margin_db == pytest.approx(1.584, abs=0.02)
    assert points["delay", 1.3].ms > points["delay", 1.0].ms > 1.0


def test_the_fastest_loop_keeps_its_margins_and_no_more() -> None:
    built = build(load_scenario(HARROW, SMALL))
    rows = fastest(built)
    now = next(r for r in rows if r.frame_hz == pytest.approx(1000) and r.latency_us == 700)
    at = build(load_scenario(HARROW, (*SMALL, "controller.kind=integrator",
                                      f"controller.integral_per_frame={now.gain}")))  # fmt: skip
    result = study(at, ())
    gain = result.margins.gain.min()
    assert result.ms_2x2.max() <= 1.7 * 1.01 and gain >= 2 * 0.985  # grid and last halving
    assert result.ms_2x2.max() >= 1.7 * 0.97 or gain <= 2 * 1.03
    later = next(r for r in rows if r.frame_hz == pytest.approx(2000) and r.latency_us == 1050)
    sooner = next(r for r in rows if r.frame_hz == pytest.approx(2000) and r.latency_us == 350)
    assert later.bandwidth_hz is not None and sooner.bandwidth_hz is not None
    assert later.bandwidth_hz < sooner.bandwidth_hz


def test_corners_are_margin_studies_of_switches_described_so() -> None:
    # Second way: the same switch by other means: resonances, quality and gain changed through a
    # measured population file would need one; scaling the scenario's nominal values does it, since
    # spreads are relative. The delay is that of a longer latency, which the controller (PI without
    # a model of the mirror) does not use.
    more = ("uncertainty.resonance_pct=4", "uncertainty.quality_pct=25", "uncertainty.gain_pct=0",
            "uncertainty.delay_us=100", "uncertainty.populations=2")  # fmt: skip
    built = build(load_scenario(HARROW, (*SMALL, *more)))
    found = together(built)
    assert len(found.corners) == 1 + 2 * 8 + 1 and found.note is None
    assert found.corners[0].ms == pytest.approx(study(built, ()).ms_2x2.max(), rel=2e-3)
    seed = built.resolved.seeds.population + 1
    for population in ((), (f"population_seed={seed}",)):
        other = build(
            load_scenario(HARROW, (*SMALL, *population, "mirror.resonance_hz=[672,729.6]",
                                   "mirror.quality=[10,10]", "camera.latency_us=800"))
        )  # fmt: skip
        label = "resonance -4 %, Q +25 %, delay +100 us"
        if population:
            label = f"population of seed {seed}, {label}"
        corner = next(c for c in found.corners if c.label == label)
        result = study(other, ())
        assert corner.ms == pytest.approx(result.ms_2x2.max(), rel=2e-3)
        gain_db = 20 * np.log10(np.nanmin(result.margins.gain))
        assert corner.gain_margin_db == pytest.approx(gain_db, abs=0.05)
    # What is found inside is worse than every corner, and a margin study says the same of it.
    for inside in found.inside:
        assert inside.label.startswith("inside: ")
    assert found.looked is not None and found.looked.searched > 500
    nothing = ("uncertainty.resonance_pct=0", "uncertainty.quality_pct=0", "uncertainty.gain_pct=0",
               "uncertainty.delay_us=0", "uncertainty.populations=1")  # fmt: skip
    alone = together(build(load_scenario(HARROW, (*SMALL, *nothing))))
    assert len(alone.corners) == 1 and alone.note and "nothing is uncertain" in alone.note


def test_a_worst_switch_inside_the_ranges_is_found() -> None:
    # By construction: a notch of width f/4 stands on the fold of a lightly damped resonance, and
    # the resonance may move by 6 % either way. Second way: a fine scan along the resonance, the
    # other three at their ends; the search must come as near to its largest Ms.
    more = ("mirror.resonance_hz=[410,410]", "mirror.quality=[25,25]",
            "mirror.resonance_spread_pct=0", "uncertainty.resonance_pct=6",
            "uncertainty.populations=1", "switch.connections=[[0,7]]")  # fmt: skip
    built = build(load_scenario(HARROW, (*SMALL, *more)))
    box, linear, place = box_of(built), linear_of(built), np.arange(2)
    looked = look(box, linear, Demands(1.7, 6.0, 30.0, None))
    worst = next(w for w in looked.worst if w.demand == "ms")
    corners = figures_at(built, linear, place, box.corners()).ms.max()
    scan = np.concatenate([
        np.column_stack([np.linspace(-6, 6, 241), *(np.full(241, s) for s in rest)])
        for rest in product((-20.0, 20.0), (-5.0, 5.0), (-50.0, 50.0))
    ])  # fmt: skip
    largest = figures_at(built, linear, place, scan).ms.max()
    found = 1.7 * (1 + worst.excess)
    assert found >= largest * 0.995 and found >= corners
    # The point that is named has it.
    at = figures_at(built, linear, worst.place, worst.point[None]).ms.max()
    assert at == pytest.approx(found, rel=1e-9)


def test_points_are_drawn_evenly_anew_and_always_the_same() -> None:
    box = box_of(build(load_scenario(HARROW, SMALL)))
    first, again, other = box.drawn(59, 0), box.drawn(59, 0), box.drawn(59, 1)
    np.testing.assert_array_equal(first, again)
    assert not np.isin(first[:, 0], other[:, 0]).any()
    many = box.drawn(4000, 2) / box.size
    # Uniform: a mean of 0 and a mean square of 1/3 (delays in ticks of 50 us: -1, 0, 1), within
    # four standard deviations; within the ranges.
    assert np.abs(many).max() <= 1.0
    np.testing.assert_allclose(many.mean(axis=0), 0.0, atol=4 * (1 / 3 / 4000) ** 0.5 * 1.3)
    np.testing.assert_allclose((many[:, :3] ** 2).mean(axis=0), 1 / 3, atol=4 * 0.298 / 4000**0.5)
    # Exact: 59 draws that all keep a demand leave less than 5 % with a confidence of 95 %.
    assert 0.95**DRAWN <= 0.05 < 0.95 ** (DRAWN - 1)


def test_command(tmp_path: Path) -> None:
    sets = [part for text in SMALL for part in ("--set", text)]
    done = CliRunner().invoke(
        cli, ["sensitivity", str(HARROW), "--out", str(tmp_path / "s"), *sets]
    )
    assert done.exit_code == 0, done.output
    table = json.loads((tmp_path / "s" / "sensitivity.json").read_text())
    assert {"changes", "together", "fastest"} == set(table) and len(table["changes"]) > 25
    assert {row["plant"] for part in table.values() for row in part} == {"stiffened"}
    assert len(table["together"]) >= 1 + 2 * 16 + 1 and "Several changes at once" in done.output
    fast = CliRunner().invoke(
        cli, ["sensitivity", str(HARROW), "--out", str(tmp_path / "f"), *sets,
              "--set", "controller.integral_per_frame=0.8"]
    )  # fmt: skip
    assert fast.exit_code == 1 and "Unstable at" in fast.output


def test_only_what_the_scenario_accepts_is_listed() -> None:
    built = build(load_scenario(HARROW, SMALL))
    rows = fastest(built)
    # 20 kHz of drive updates is no whole number of ticks at 3 kHz: that row is not there.
    assert 3000.0 not in {r.frame_hz for r in rows} and 2000.0 in {r.frame_hz for r in rows}
    longest = {r.frame_hz: r for r in sorted(rows, key=lambda r: r.latency_us)}
    for row in longest.values():
        build(load_scenario(HARROW, (*SMALL, f"camera.frame_hz={row.frame_hz}",
                                     f"camera.latency_us={row.latency_us}")))  # fmt: skip
