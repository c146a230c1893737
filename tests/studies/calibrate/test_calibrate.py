"""The command calibrates a few mirrors of the demo, and the loop believes what it found."""

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from scipy.stats import binomtest

from sim.camera.spot_guard import SpotGuardParams
from sim.cli.main import cli
from sim.foundations.ports import SpotStatus
from sim.scenario.model import load_scenario
from sim.studies.calibrate.confusion import WITH, WITHOUT, confusion, none_seen_pct, rate_of
from sim.studies.run.make import make_run

CASE = Path(__file__).parents[3] / "scenarios" / "harrow_point.toml"
SMALL = (
    "switch.connections=[[5, 5], [40, 41], [90, 12]]", "switch.moves=[]", "disturbances=[]",
    "duration_ms=250", "metrics.hold_from_ms=100", "camera.pitch_px=48",
    "camera.hot_pixels_pct=0.02", "camera.hot_e=600.0", "camera.dead_pixels_pct=0.02",
    "camera.dsnu_e=3.0", "camera.prnu_pct=1.0",
    "lens.rotation_mrad=4.0", "lens.distortion_pct=-1.0",
    "calibration.dark_frames=6", "calibration.flat_frames=6", "calibration.levels=8",
    "calibration.steps=3", "calibration.step_frames=8", "calibration.grid_frames=4",
)  # fmt: skip


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("calibrated") / "out"
    sets = [word for text in SMALL for word in ("--set", text)]
    done = CliRunner().invoke(cli, ["calibrate", str(CASE), "--out", str(out),
                                    *sets])  # fmt: skip
    assert done.exit_code == 0, done.output
    return out


def test_estimates_hold_the_truth_within_four_half_widths(folder: Path) -> None:
    """Intervals of 95 % are 1.96 deviations wide each way; four of them are 7.8 deviations."""
    found = json.loads((folder / "calibrate.json").read_text(encoding="utf-8"))
    rows = [each for each in found["estimates"] if each["low"] is not None]
    assert len(rows) == 14
    for each in rows:
        half = 0.5 * (each["high"] - each["low"])
        assert abs(each["value"] - each["truth"]) < 4 * half, each
    counts = {e["quantity"]: e for e in found["estimates"] if "found" in e["quantity"]}
    for each in counts.values():
        assert each["value"] == each["truth"] > 0
    assert {each["procedure"] for each in found["times"]} == {
        "dark frames", "flat frames", "photon transfer", "camera map", "actuator staircase"
    }  # fmt: skip
    assert 9.0 < sum(each["seconds"] for each in found["times"]) * 2 < 20.0


def test_the_page_and_the_files_are_there(folder: Path) -> None:
    page = (folder / "report.html").read_text(encoding="utf-8")
    assert "What errors cost in the loop" in page and "Photon transfer" in page
    assert {"calibration.json", "calibration_maps.npz", "calibrated.toml"} <= {
        path.name for path in folder.iterdir()
    }


def test_the_loop_believes_the_results(folder: Path) -> None:
    """Calibrated it holds what it could not before: a picture turned by 4 mrad moves a spot 250 px
    from the axis by 1 px, which passes for 2 mrad of tilt."""
    calibrated = make_run(load_scenario(folder / "calibrated.toml"), pictures=False).figures
    before = make_run(load_scenario(folder / "scenario.toml"), pictures=False).figures
    assert calibrated["pointing"]["bias_urad"] < 50.0 < 1000.0 < before["pointing"]["bias_urad"]
    costs = json.loads((folder / "calibrate.json").read_text(encoding="utf-8"))["costs"]
    whole = costs["whole"]["as calibrated"]
    assert whole["bias_urad"] == pytest.approx(calibrated["pointing"]["bias_urad"], rel=1e-9)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda tree: tree.update(population_seed=7), "population_seed: is of the switch 7"),
        (lambda tree: tree.update(sensor_px=[8, 8]), "sensor_px: must be"),
        (lambda tree: tree["sensors"].pop(), "sensors: must be 2"),
        (lambda tree: tree["mirrors"].pop(), "was not calibrated"),
        (lambda tree: tree["sensors"][0].update(bad_px=[[9999, 0]]), "must lie on the sensor"),
        (lambda tree: tree.update(surplus=1), "unknown key"),
        (lambda tree: tree["mirrors"][0].update(gain=[9.0, 1.0]), "less than or equal to 5"),
    ],
)  # fmt: skip
def test_results_that_do_not_fit_are_refused(folder: Path, tmp_path: Path, change, words) -> None:
    tree = json.loads((folder / "calibration.json").read_text(encoding="utf-8"))
    change(tree)
    (tmp_path / "calibration.json").write_text(json.dumps(tree), encoding="utf-8")
    for name in ("calibrated.toml", "calibration_maps.npz"):
        (tmp_path / name).write_bytes((folder / name).read_bytes())
    done = CliRunner().invoke(cli, ["check", str(tmp_path / "calibrated.toml")])
    assert done.exit_code == 2 and words in done.output, done.output


def test_maps_that_do_not_fit_are_refused(folder: Path, tmp_path: Path) -> None:
    for name in ("calibrated.toml", "calibration.json"):
        (tmp_path / name).write_bytes((folder / name).read_bytes())
    np.savez(tmp_path / "calibration_maps.npz", dark_dn=np.zeros((2, 3, 3), np.float32))
    done = CliRunner().invoke(cli, ["check", str(tmp_path / "calibrated.toml")])
    assert done.exit_code == 2 and "dark_dn: must be of shape" in done.output, done.output
    (tmp_path / "calibration_maps.npz").write_bytes(b"")
    done = CliRunner().invoke(cli, ["check", str(tmp_path / "calibrated.toml")])
    assert done.exit_code == 2 and "calibration.maps: " in done.output, done.output


def test_rate_of_runs() -> None:
    """Student's t of 3 degrees of freedom: 3.1824 (tables)."""
    rate = rate_of(np.array([1e-6, 3e-6, 2e-6, 2e-6]))
    assert rate.mean_ppm == pytest.approx(2.0)
    assert rate.high_ppm == pytest.approx(2.0 + 3.1824 * np.sqrt(2 / 3) / 2, abs=1e-4)
    assert rate.seeds_with == 4


def test_none_seen_leaves_a_bound_and_no_interval() -> None:
    """The largest share of runs that may have some after none in 8: exact binomial interval, one
    side, by scipy."""
    none = rate_of(np.zeros(8))
    assert (none.mean_ppm, none.low_ppm, none.high_ppm, none.seeds_with) == (0.0, None, None, 0)
    exact = binomtest(0, 8, alternative="less").proportion_ci(0.95, "exact").high
    assert none_seen_pct(8) == pytest.approx(100 * exact, rel=1e-12)


def test_neighbours_in_one_window_are_confused_and_caught() -> None:
    """Fields of 10 px and windows of 24: all neighbours are in the window, always, so that a
    thresholded centroid reads the middle of them all. A margin catches every one of them."""
    sets = ["switch.connections=[[0, 0], [1, 1], [12, 12], [13, 13]]", "switch.moves=[]",
            "disturbances=[]", "duration_ms=120", "metrics.hold_from_ms=100", "camera.spill=true",
            "camera.pitch_px=10", "spot_guard.margin_px=24.0"]  # fmt: skip
    scenario = load_scenario(CASE, sets)
    found = confusion(scenario, None, 2)
    assert found is not None
    free, guarded = found.rates[WITHOUT], found.rates[WITH]
    assert free["passed"].mean_ppm > 1e5
    assert guarded["passed"].mean_ppm == 0.0
    assert guarded["caught"].mean_ppm > 1e5


def test_a_brighter_laser_makes_false_alarms_of_all_and_holds_corrections(folder: Path) -> None:
    """15 % more light than at calibration against a rule of 10 %: a spot's light scatters by
    sqrt(16 800 e- and the noise of its pixels), about 1 %, so that five deviations lie between.
    Without a rule the same light is read as good."""
    base = ["camera.spill=true", "traces.sample_hz=1000"]
    scenario = load_scenario(folder / "calibrated.toml", base)
    brighter = scenario.replace(
        camera=scenario.camera.replace(signal_e=1.15 * scenario.camera.signal_e)
    )
    free = make_run(brighter, pictures=False)
    assert free.figures["wrong_spots"]["false_alarms"] == 0
    guarded = make_run(
        brighter.replace(spot_guard=SpotGuardParams(excess_light_pct=10.0)), pictures=False
    )
    traces = guarded.outcome.traces
    frames = traces.status_frames.sum()
    assert traces.status_frames[SpotStatus.WRONG_SPOT].sum() == frames
    assert guarded.figures["wrong_spots"]["false_alarms"] == frames
    assert (traces.correction_rad == 0).all()  # held from the start, so never made
    assert np.ptp(free.outcome.traces.correction_rad[50:], axis=0).max() > 0
