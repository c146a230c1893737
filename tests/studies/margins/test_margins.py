"""The margins command, and the loop of the time simulation against its own analysis."""

import dataclasses
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner

from controllers.analysis.linear_loop import axis_gain, loop_gain, sensitivity
from sim.assembly.build import build
from sim.cli.main import cli
from sim.foundations.errors import ScenarioError
from sim.foundations.ports import Array, Setpoint, TiltReading
from sim.loop.simulate import simulate
from sim.scenario.model import load_scenario
from sim.studies.margins.margins import rows, study, worst_figures

ROOT = Path(__file__).parents[3]
HARROW = ROOT / "scenarios" / "harrow_point_reconfigure.toml"
FINE = (
    "switch.moves=[]", "disturbances=[]", "metrics.hold_from_ms=10", "drive.bits=24",
    "drive.noise_uv_per_rthz=0", 'camera.noise="none"', "camera.bits=16",
    "camera.gain_dn_per_e=20", "camera.black_dn=400", "estimator.threshold_dn=800",
    "mirror.cross_axis=[0.03, 0.02]", "mirror.alignment_urad=0", "drive.calibration_error_pct=4",
)  # fmt: skip
"""The demo switch with its whole population, but with fine steps and no noise."""
EIGHT = "switch.connections=[[0,7],[13,20],[26,3],[39,41],[52,60],[65,78],[78,90],[91,11]]"
SMALL = (EIGHT, "switch.moves=[]", "metrics.hold_from_ms=10")
SETS = [part for text in SMALL for part in ("--set", text)]
WARM_UP, RECORD = 400, 1000


class Shaken:
    """Adds a sine to what a controller sends, a frequency for each mirror and axis, and listens."""

    def __init__(self, inner: Any, cycles: Array, size_rad: float) -> None:
        self.inner, self.cycles, self.size_rad = inner, cycles, size_rad
        self.own: list[Array] = []
        self.sent: list[Array] = []

    def initial_state(self, n_mirrors: int) -> Any:
        return self.inner.initial_state(n_mirrors)

    def step(self, state: Any, reading: TiltReading, setpoint: Setpoint) -> tuple[Any, Array]:
        state, own = self.inner.step(state, reading, setpoint)
        sent = own + self.size_rad * np.sin(2 * np.pi * self.cycles * len(self.own) / RECORD)
        self.own.append(own)
        self.sent.append(sent)
        return state, sent


@pytest.mark.parametrize(
    "controller",
    [
        ("controller.integral_per_frame=0.25", "controller.proportional=0.1"),
        ("controller.kind=smith", "controller.response_ms=6.0"),
        ("controller.kind=pi", "controller.integral_per_frame=0.2", "controller.proportional=0.0",
         "camera.latency_us=1330"),
    ],
)  # fmt: skip
def test_the_loop_of_the_time_simulation_is_the_analysed_one(controller: tuple[str, ...]) -> None:
    # Second way: the loop gain -own/sent at the frequency of an added sine, from 1 Hz to 497 Hz
    # (half the frame rate is 500 Hz), on 16 different mirrors and both axes: cubic springs at their
    # aims, cross-axis coupling and calibration errors included. Limits: 2 % and 2 degrees; the
    # simulation takes the exposure at four instants, good for 0.3 %, and reads pixels.
    scenario = load_scenario(
        HARROW, (*FINE, EIGHT, f"duration_ms={WARM_UP + RECORD}", *controller)
    )
    built = build(scenario)
    m = len(built.parts.mirrors)
    assert m == 16
    cycles = np.round(np.geomspace(1, 497, 2 * m)) + np.arange(2 * m) * (np.arange(2 * m) < 10)
    cycles = np.minimum(cycles, 497).reshape(m, 2)
    shaken = Shaken(built.parts.controller, cycles, 2e-4)
    simulate(dataclasses.replace(built.parts, controller=shaken))
    turn = np.exp(-2j * np.pi * cycles * np.arange(RECORD)[:, None, None] / RECORD)
    own, sent = (
        (np.array(x)[-RECORD:] * turn).sum(axis=0) for x in (shaken.own, shaken.sent)
    )
    measured = -own / sent
    result = study(built)
    flat = np.sort(np.unique(cycles))
    expected = axis_gain(sensitivity(loop_gain(result.loop, flat)))
    i = np.searchsorted(flat, cycles)
    expected = expected[i, np.arange(m)[:, None], np.array([0, 1])]
    ratio = measured / expected
    assert cycles.min() == 1 and cycles.max() == 497
    np.testing.assert_allclose(np.abs(ratio), 1.0, atol=0.02)
    np.testing.assert_allclose(np.degrees(np.angle(ratio)), 0.0, atol=2.0)


def test_rows_name_the_population_and_the_worst() -> None:
    built = build(load_scenario(HARROW, SMALL))
    result = study(built, (2.0, 500.0))
    table = rows(result)
    assert [(r["mirror"], r["axis"]) for r in table[:3]] == [(0, "x"), (0, "y"), (13, "x")]
    assert len(table) == 32 and set(table[0]["rejection_db"]) == {"2", "500"}
    worst = worst_figures(table)
    assert worst["ms"] is not None and worst["gain_margin_db"] is not None
    assert worst["ms"]["value"] == max(r["ms"] for r in table)
    m, axis = result.worst
    assert result.name(m, axis) == f"mirror {worst['ms']['name']}, axis {worst['ms']['axis']}"
    assert worst["gain_margin_db"]["value"] == min(r["gain_margin_db"] for r in table)
    # Ms bounds the other margins: gain >= Ms/(Ms - 1), phase >= 2 asin(1/(2 Ms)) (exact geometry).
    for r in table:
        assert 10 ** (r["gain_margin_db"] / 20) >= r["ms"] / (r["ms"] - 1) * (1 - 1e-6)
        least = np.degrees(2 * np.arcsin(0.5 / r["ms"]))
        assert r["phase_margin_deg"] >= least - 1e-6
        assert r["ms_2x2"] >= r["ms"] * (1 - 1e-4)
        assert abs(r["log_sensitivity_mean"]) < 1e-3


def test_no_controller_no_margins() -> None:
    built = build(load_scenario(HARROW, (*SMALL, "controller.kind=open_loop")))
    row = rows(study(built))[0]
    assert row["stable"] and row["ms"] == pytest.approx(1.0) and row["noise_gain"] == 0.0
    assert row["gain_margin_db"] is None and row["bandwidth_hz"] is None


def test_frequencies_outside_the_band_are_refused() -> None:
    built = build(load_scenario(HARROW, SMALL))
    with pytest.raises(ScenarioError, match="at most half the frame rate, 500 Hz .got 501"):
        study(built, (501.0,))


class Bent:
    """An outside controller that is not linear."""

    def __init__(self, params: Any, plant: Any) -> None:
        del params, plant

    def initial_state(self, n_mirrors: int) -> Array:
        return np.zeros((n_mirrors, 2))

    def step(self, state: Array, reading: TiltReading, setpoint: Setpoint) -> tuple[Array, Array]:
        u = state + 0.1 * np.abs(setpoint.reference_rad - reading.tilt_rad)
        return u, u


def test_a_controller_that_is_not_linear_is_the_scenarios_fault() -> None:
    built = build(load_scenario(HARROW, SMALL))
    bent = dataclasses.replace(built.parts, controller=Bent(None, None))
    with pytest.raises(ScenarioError, match="controller: controller must be linear"):
        study(built._replace(parts=bent))


def test_command_files_its_results(tmp_path: Path) -> None:
    run = CliRunner()
    out = tmp_path / "m"
    common = [str(HARROW), "--out", str(out), *SETS, "--at", "7"]
    done = run.invoke(cli, ["margins", *common])
    assert done.exit_code == 0, done.output
    table = json.loads((out / "margins.json").read_text())
    wanted = {"mirror", "axis", "gain_margin_db", "phase_margin_deg", "ms", "bandwidth_hz",
              "noise_gain"}  # fmt: skip
    assert isinstance(table, list) and len(table) >= 32 and wanted <= set(table[0])
    assert "7" in table[0]["rejection_db"]
    assert json.loads((out / "summary.json").read_text())["worst"]["ms"]["mirror"] >= 0
    page = (out / "report.html").read_text()
    assert "largest Ms" in page or "Largest Ms" in page
    assert "http" not in page.replace("http://www.w3.org", "") and "<script" not in page
    responses = np.genfromtxt(out / "responses.csv", delimiter=",", names=True, dtype=None)
    worst = max(table, key=lambda r: r["ms"])
    own = responses[(responses["mirror"] == worst["name"]) & (responses["axis"] == worst["axis"])]
    assert own["sensitivity_db"].max() == pytest.approx(20 * np.log10(worst["ms"]), abs=1e-6)
    for row in table:
        root = row["spring_slope"] ** 0.5
        assert row["resonance_hz"] == pytest.approx(root * row["resonance_at_rest_hz"])
        assert (row["plant"] == "stiffened") == (root != 1)
    steps = np.genfromtxt(out / "steps.csv", delimiter=",", names=True, dtype=None)
    assert abs(steps["reference_step"][-1] - 1) < 0.03
    odd = run.invoke(cli, ["margins", *common, "--overwrite", "--loop", "A99"])
    assert odd.exit_code == 2 and '--loop: "A99" is no mirror of this scenario' in odd.output
    again = run.invoke(cli, ["margins", *common])
    assert again.exit_code == 2 and "--overwrite" in again.output


def test_an_unstable_loop_is_said_to_be_one(tmp_path: Path) -> None:
    out = tmp_path / "m"
    done = CliRunner().invoke(
        cli, ["margins", str(HARROW), "--out", str(out), *SETS, "--set",
              "controller.integral_per_frame=1.1"]
    )  # fmt: skip
    assert done.exit_code == 1 and "UNSTABLE" in done.output
    row = json.loads((out / "margins.json").read_text())[0]
    assert row["stable"] is False and row["ms"] is None and row["noise_gain"] is None
    assert " mirrors unstable (" in (out / "report.html").read_text()
