"""Changes of the plant: at no change nothing changes; known directions; the fastest loop."""

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from sim.assembly.build import build
from sim.cli.main import cli
from sim.scenario.model import load_scenario
from sim.studies.margins.margins import study
from sim.studies.margins.robustness import changed, fastest
from sim.studies.margins.together import together

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
    nothing = ("uncertainty.resonance_pct=0", "uncertainty.quality_pct=0", "uncertainty.gain_pct=0",
               "uncertainty.delay_us=0", "uncertainty.populations=1")  # fmt: skip
    alone = together(build(load_scenario(HARROW, (*SMALL, *nothing))))
    assert len(alone.corners) == 1 and alone.note and "nothing is uncertain" in alone.note


def test_command(tmp_path: Path) -> None:
    sets = [part for text in SMALL for part in ("--set", text)]
    done = CliRunner().invoke(
        cli, ["sensitivity", str(HARROW), "--out", str(tmp_path / "s"), *sets]
    )
    assert done.exit_code == 0, done.output
    table = json.loads((tmp_path / "s" / "sensitivity.json").read_text())
    assert {"changes", "together", "fastest"} == set(table) and len(table["changes"]) > 25
    assert {row["plant"] for part in table.values() for row in part} == {"stiffened"}
    assert len(table["together"]) == 1 + 2 * 16 + 1 and "Several changes at once" in done.output
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
