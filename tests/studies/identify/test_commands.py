"""Record the simulated switch, identify it, and run what was found; bad logs by name."""

import csv
import json

import numpy as np
import pytest
from click.testing import CliRunner

from sim.assembly.build import build
from sim.cli.main import cli
from sim.foundations.errors import ProfileError
from sim.mirror.population_file import read_population
from sim.scenario.gallery import find
from sim.scenario.model import load_scenario
from sim.studies.identify.log import read_logs

CASE = "harrow_point_reconfigure"
FEW = ["--set", "switch.connections=[[0,5],[40,61]]", "--set", "switch.moves=[]"]


def invoke(*words):
    return CliRunner().invoke(cli, [str(word) for word in words])


def truth_in(folder):
    with (folder / "truth" / "truth.csv").open() as file:
        return {(int(r["mirror"]), r["axis"]): r for r in csv.DictReader(file)}


@pytest.fixture(scope="module")
def found(tmp_path_factory):
    folder = tmp_path_factory.mktemp("identify")
    log, out = folder / "log", folder / "out"
    recorded = invoke("record", CASE, "--out", log, "--frames", 1024, *FEW)
    assert recorded.exit_code == 0, recorded.output
    done = invoke("identify", log, "--scenario", CASE, "--out", out, *FEW)
    assert done.exit_code == 0, done.output
    return log, out


def test_the_circle_closes(found):
    log, out = found
    truth = truth_in(log)
    rows = json.loads((out / "identify.json").read_text())["mirrors"]
    assert len(rows) == 8
    for row in rows:
        true = truth[row["mirror"], row["axis"]]
        # Twice the interval: eight rows, so that one just outside its 95 % is no surprise.
        for name in ("resonance_hz", "quality", "gain", "delay_us"):
            value, low, high = (row[name][k] for k in ("value", "low", "high"))
            assert abs(value - float(true[name])) < (high - low), (row["mirror"], name)


def test_the_scenario_that_is_written_uses_the_mirrors_found(found):
    _, out = found
    scenario = load_scenario(out / "identified.toml")
    parts = build(scenario).parts
    with (out / "population.csv").open() as file:
        rows = {(int(r["mirror"]), r["axis"]): r for r in csv.DictReader(file)}
    for i, mirror in enumerate(parts.mirrors):
        row = rows[int(mirror), "x"]
        got = parts.population.resonance_rad_s[i, 0] / (2 * np.pi)
        assert got == pytest.approx(float(row["resonance_hz"]))
        assert parts.population.calibration_ratio[i, 0] == pytest.approx(1 / float(row["gain"]))
        assert parts.population.cross_axis[i, 0] == pytest.approx(float(row["cross_axis"]))
        delay_us = 1e6 * parts.delay_ticks[i, 0] * parts.clock.tick_s
        assert abs(delay_us - float(row["delay_us"])) <= 0.5e6 * parts.clock.tick_s + 1e-6
    assert "<h2>Measured against model</h2>" in (out / "report.html").read_text()


def test_decay_and_staircase_of_the_switch(tmp_path):
    log = tmp_path / "log"
    for kind in ("decay", "staircase"):
        done = invoke("record", CASE, "--kind", kind, "--out", tmp_path / kind, *FEW)
        assert done.exit_code == 0, done.output
        log.mkdir(exist_ok=True)
        (log / f"{kind}.csv").write_text((tmp_path / kind / f"{kind}.csv").read_text())
    done = invoke("identify", log, "--scenario", CASE, "--out", tmp_path / "out", *FEW)
    assert done.exit_code == 0, done.output
    truth = truth_in(tmp_path / "decay")
    for row in json.loads((tmp_path / "out" / "identify.json").read_text())["mirrors"]:
        true = truth[row["mirror"], row["axis"]]
        # About the aim the cubic spring is up to 5 % stiffer; a decay is not taken back to rest.
        assert row["resonance_hz"]["value"] == pytest.approx(float(true["resonance_hz"]), rel=0.03)
        assert row["quality"]["value"] == pytest.approx(float(true["quality"]), rel=0.06)
        # The estimator's scale is in the readings: 0.3 % here.
        got = row["tilt_per_volt_rad"]["value"]
        assert got == pytest.approx(float(true["tilt_per_volt_rad"]), rel=0.01)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("a,b\n1,2\n", "its columns are those of no log"),
        ("time_s,time_s,tilt_urad\n0,0,1\n", 'two columns are named "time_s"'),
        ("time_s,tilt_urad,mirro\n0,1,2\n", 'unknown column "mirro". Did you mean "mirror"?'),
        ("time_s,tilt_urad\n0,1\n0.1\n", "line 3: must have 2 fields (got 1)"),
        ("time_s,tilt_urad\nsoon,1\n", "line 2: time_s: must be a finite number (got 'soon')"),
        ("time_s,tilt_urad,axis\n0,1,z\n", "line 2: axis: must be x or y (got 'z')"),
        ("time_s,tilt_urad\n0,1\n1,2\n", "needs 12 rows at least (got 2)"),
        ("frequency_hz,gain,phase_deg,coherence\n1,1,0,2\n", "coherence: must be above 0"),
        ("time_s,tilt_urad\n", "must have a header and rows of numbers"),
    ],
)
def test_a_bad_log_is_one_message(text, words, tmp_path):
    path = tmp_path / "log.csv"
    path.write_text(text)
    done = invoke("identify", path, "--out", tmp_path / "out")
    assert done.exit_code == 2
    assert words in done.output
    assert not (tmp_path / "out").exists()


def test_a_bad_series_names_the_array(tmp_path):
    np.savez(tmp_path / "a.npz", period_s=1e-3, mirrors=[0])
    with pytest.raises(ProfileError, match='array "excitation_rad" is missing'):
        read_logs(tmp_path / "a.npz")
    (tmp_path / "b.npz").write_bytes(b"no")
    with pytest.raises(ProfileError, match="not a readable NPZ file"):
        read_logs(tmp_path / "b.npz")
    with pytest.raises(ProfileError, match="no such file or folder"):
        read_logs(tmp_path / "c")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("mirror,axis,quality\n0,x,8\n", 'column "resonance_hz" is missing'),
        ("mirror,axis,resonance_hz,quality\n0,z,700,8\n", "line 2: axis: must be x or y"),
        ("mirror,axis,resonance_hz,quality\n0,x,-7,8\n", "resonance_hz: must be a number above 0"),
        ("mirror,axis,resonance_hz,quality,gain\n0,x,7,8,9\n", "above 0.2 and below 5"),
        ("mirror,axis,resonance_hz,quality\n0,x,7,8\n0,x,7,8\n", "occurs twice"),
        ("mirror,axis,resonance_hz,quality,qualty\n", 'unknown column "qualty"'),
    ],
)
def test_a_bad_population_names_its_line(text, words, tmp_path):
    path = tmp_path / "population.csv"
    path.write_text(text)
    with pytest.raises(ProfileError) as caught:
        read_population(path, np.arange(2))
    assert words in str(caught.value)


def test_what_a_population_does_not_hold_is_drawn(tmp_path):
    parts = build(load_scenario(find("single_mirror_step"))).parts
    drawn, first = parts.population, parts.mirrors[0]
    text = f"mirror,axis,resonance_hz,quality\n{first},x,500,30\n7000,y,501,31\n"
    (tmp_path / "p.csv").write_text(text)
    own = build(
        load_scenario(
            find("single_mirror_step"), [f'mirror.population="{tmp_path}/p.csv"']
        )
    ).parts.population
    assert own.resonance_rad_s[0, 0] == pytest.approx(2 * np.pi * 500)
    assert own.quality[0, 0] == 30
    np.testing.assert_array_equal(own.resonance_rad_s[0, 1], drawn.resonance_rad_s[0, 1])
    np.testing.assert_array_equal(own.resonance_rad_s[1:], drawn.resonance_rad_s[1:])
    np.testing.assert_array_equal(own.calibration_ratio, drawn.calibration_ratio)


DELAYS_US = {0: 400.0, 13: 1000.0, 103: 1900.0, 116: 650.0}
"""Within the frame, at its end, nearly two frames; the scenario believes 1000 us."""


def test_delays_that_differ_from_the_believed_one_are_found(tmp_path):
    lines = ["mirror,axis,resonance_hz,quality,delay_us"]
    for mirror, delay in DELAYS_US.items():
        lines += [f"{mirror},{axis},{700 + mirror},8,{delay}" for axis in "xy"]
    (tmp_path / "made.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    few = ["--set", "switch.connections=[[0,7],[13,20]]", "--set", "switch.moves=[]"]
    population = ["--set", f'mirror.population="{(tmp_path / "made.csv").as_posix()}"']
    log = tmp_path / "log"
    recorded = invoke("record", CASE, "--out", log, "--frames", 1024, *few, *population)
    assert recorded.exit_code == 0, recorded.output
    done = invoke("identify", log, "--scenario", CASE, "--out", tmp_path / "out", *few)
    assert done.exit_code == 0, done.output
    rows = json.loads((tmp_path / "out" / "identify.json").read_text())["mirrors"]
    assert len(rows) == 8
    for row in rows:
        delay, resonance = row["delay_us"], row["resonance_hz"]
        true = DELAYS_US[row["mirror"]]
        # Twice the interval, as above, and half a tick: delays act at drive ticks of 50 us.
        assert abs(delay["value"] - true) < delay["high"] - delay["low"] + 25.0, row
        assert resonance["value"] == pytest.approx(700 + row["mirror"], rel=0.02), row
