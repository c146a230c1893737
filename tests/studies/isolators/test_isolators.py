"""Isolators side by side: what follows from the equation of motion of one mass."""

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from sim.cli.main import cli
from sim.foundations.errors import ScenarioError
from sim.mechanics.isolator import IsolatorParams
from sim.scenario.gallery import gallery_folder
from sim.scenario.model import load_scenario
from sim.studies.isolators.study import compare_isolators, load_mounts, verdict_of

ONE = Path(__file__).parents[2] / "one_mirror.toml"
G = 9.80665
SHOCK = (
    'disturbances=[{kind="shock", pulse="half_sine", peak_g=5.0, duration_ms=11.0, direction="x", '
    "start_ms=20.0}]"
)
IMBALANCE = "mirror.imbalance_rad_s2_per_m_s2=[[2000.0, 0.0, 0.0], [0.0, 0.0, 0.0]]"


OPEN = (SHOCK, IMBALANCE, "duration_ms=200", 'controller.kind="open_loop"')


def mounts(hz, clearance_mm=50.0):
    return IsolatorParams(resonance_hz=(hz,) * 3, quality=(1e4,) * 3,
                          clearance_mm=(clearance_mm,) * 3)  # fmt: skip


def test_soft_mounts_turn_the_pulse_into_its_velocity():
    # A pulse much shorter than the mount's period: sway = dv/w, core = w dv, with
    # dv = 2AD/pi = 0.3434 m/s and w = 2 pi 5 Hz. Exact residual at f D = 0.055:
    # 2 pi w' |cos(w'/2)|/|pi^2 - w'^2| A with w' = 2 pi f D.
    scenario = load_scenario(ONE, OPEN)
    bolted, soft = compare_isolators(scenario, {"soft": mounts(5.0)})
    turn = 2 * np.pi * 5.0 * 0.011
    core_g = 5.0 * 2 * np.pi * turn * abs(np.cos(turn / 2)) / abs(np.pi**2 - turn**2)
    assert bolted.row["figures"]["core_peak_g"] == pytest.approx(5.0, rel=1e-3)
    assert soft.row["figures"]["core_peak_g"] == pytest.approx(core_g, rel=5e-3)
    sway_mm = 1e3 * core_g * G / (2 * np.pi * 5.0) ** 2
    assert soft.row["sway"]["x_mm"] == pytest.approx(sway_mm, rel=5e-3)
    # The mirror sees the core's acceleration in proportion.
    seen = [r.row["figures"]["peak_error_urad"] for r in (bolted, soft)]
    assert seen[1] / seen[0] == pytest.approx(core_g / 5.0, rel=0.01)
    assert soft.row["isolates_above_hz"][0] == pytest.approx(5.0 * 2**0.5)
    assert "soft" in verdict_of([bolted, soft])


def test_a_narrow_clearance_is_struck_and_costs_more():
    scenario = load_scenario(ONE, OPEN)
    kinds = {"wide": mounts(5.0), "narrow": mounts(5.0, 4.0)}
    bolted, wide, narrow = compare_isolators(scenario, kinds)
    assert narrow.row["strikes"] == ["x"] and wide.row["strikes"] == []
    assert narrow.row["verdict"] == "not shown" and narrow.row["sway"]["clearance_pct"] > 100.0
    assert narrow.row["figures"]["core_peak_g"] > 3 * wide.row["figures"]["core_peak_g"]
    seen = [r.row["figures"]["peak_error_urad"] for r in (wide, narrow)]
    assert seen[1] > 3 * seen[0]  # the mirrors feel the impact
    assert "strikes its stops on: narrow" in verdict_of([bolted, wide, narrow])


def test_files_of_mounts(tmp_path):
    assert list(load_mounts(gallery_folder() / "mounts" / "harrow_point.toml")) == [
        "stiff", "soft", "soft_narrow",
    ]  # fmt: skip
    bad = tmp_path / "m.toml"
    for text, match in (
        ("", "a table for each"), ("a = 1", "must be a table"),
        ("[a]\nresonance_hz = [1.0, 1.0]", "resonance_hz"), ("[a", "not valid TOML"),
    ):  # fmt: skip
        bad.write_text(text)
        with pytest.raises(ScenarioError, match=match):
            load_mounts(bad)
    with pytest.raises(ScenarioError, match="nothing accelerates"):
        compare_isolators(load_scenario(ONE), {"a": mounts(5.0)})


def test_the_command(tmp_path):
    file, out = tmp_path / "m.toml", tmp_path / "out"
    file.write_text(
        "[soft]\nresonance_hz = [5.0, 5.0, 5.0]\nquality = [4.0, 4.0, 4.0]\n"
        "clearance_mm = [50.0, 50.0, 50.0]\n"
    )
    words = ["isolators", str(ONE), "--mounts", str(file), "--out", str(out), "--set", SHOCK,
             "--set", "duration_ms=200"]  # fmt: skip
    done = CliRunner().invoke(cli, words)
    assert done.exit_code == 0, done.output
    filed = json.loads((out / "isolators.json").read_text())
    assert [row["name"] for row in filed["isolators"]] == ["bolted down", "soft"]
    # Q = 4: sqrt(1 + Q^2) at the resonance, exact; the peak lies a little below and above.
    assert filed["isolators"][1]["largest_transmissibility"] == pytest.approx(17**0.5, rel=0.02)
    assert "Transmissibility" in (out / "report.html").read_text()
