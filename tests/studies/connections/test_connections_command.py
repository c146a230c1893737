"""The command `connections`: its folder, its contract, its verdict and its refusals."""

import json

import numpy as np
import pytest
from click.testing import CliRunner

from sim.cli.main import cli

CASE = "harrow_point_switch"


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    out = tmp_path_factory.mktemp("connections") / "out"
    outcome = CliRunner().invoke(cli, ["connections", CASE, "--out", str(out)])
    assert outcome.exit_code == 0, outcome.output
    assert "0.48 dB inside the limit of 1.8 dB" in outcome.output
    return out


def test_geometry_of_every_connection_is_filed(folder):
    header, *rows = (folder / "geometry.csv").read_text().splitlines()
    names = header.split(",")
    assert names[:3] == ["input", "output", "spare_travel_pct"] and len(rows) == 9216
    worst = json.loads((folder / "connections.json").read_text())["worst"][0]
    row = rows[96 * worst["input"] + worst["output"]].split(",")
    assert [int(v) for v in row[:2]] == [worst["input"], worst["output"]]
    assert float(row[2]) == pytest.approx(100 * worst["spare_travel"], abs=6e-5)
    found = np.array(row[3:], dtype=float).reshape(4, 4)
    scale = np.array([1e3, 1e3, 1.0, 1.0])[:, None]  # offsets in mm a rad
    np.testing.assert_allclose(found, scale * np.array(worst["jacobian"]), atol=6e-6)
    # A turn of mirror B about the axis in its plane of incidence: 2 cos i, the other 2 (2 %: as
    # built, and off the middle).
    assert sorted(np.abs([found[2, 2], found[3, 3]])) == pytest.approx(
        [2 * np.cos(np.deg2rad(20.0)), 2.0], rel=0.02
    )


def test_the_contract_of_the_files(folder):
    results = json.loads((folder / "connections.json").read_text())
    assert {
        "count", "mean_db", "median_db", "p99_db", "max_db", "over_acceptance",
        "over_end_of_life", "out_of_travel",
    } <= set(results["summary"])  # fmt: skip
    assert {"summary", "contributors", "aiming", "crosstalk"} <= set(results)
    header, *rows = (folder / "connections.csv").read_text().splitlines()
    names = header.split(",")
    assert names[:3] == ["input", "output", "insertion_db"]
    assert names[-7:] == [
        "path_mm", "incidence_a_deg", "incidence_b_deg", "tilt_ax_mrad", "tilt_ay_mrad",
        "tilt_bx_mrad", "tilt_by_mrad",
    ]  # fmt: skip
    assert names[3:-7] == [f"{name}_db" for name in results["contributors"]]
    assert len(rows) == 9216
    table = np.loadtxt(folder / "connections.csv", delimiter=",", skiprows=1)
    np.testing.assert_allclose(table[:, 2], table[:, 3:-7].sum(axis=1), atol=5e-5)
    assert table[:, 2].mean() == pytest.approx(results["summary"]["mean_db"], abs=1e-5)
    assert table[:, 2].max() == pytest.approx(results["summary"]["max_db"], abs=1e-5)


def test_the_end_of_life_of_every_connection_has_an_interval(folder):
    late = json.loads((folder / "connections.json").read_text())["end_of_life"]
    rows = np.loadtxt(folder / "end_of_life.csv", delimiter=",", skiprows=1)
    assert rows.shape == (9216, 6)
    assert (rows[:, 3] < rows[:, 2]).all() and (rows[:, 2] < rows[:, 4]).all()
    assert rows[:, 2].mean() == pytest.approx(late["mean_db"], abs=1e-5)
    worst = late["worst"][0]
    assert rows[:, 2].max() == pytest.approx(worst["mean_db"], abs=1e-5)
    assert 0.0 <= late["share_of_lives_met"]["low"] <= late["share_of_lives_met"]["value"]
    assert sum(late["added"].values()) + 0.935 == pytest.approx(late["mean_db"], abs=0.01)
    assert "Many lives of one switch" in (folder / "report.html").read_text()


def test_the_end_of_life_can_come_from_a_life(tmp_path):
    life = tmp_path / "life"
    life.mkdir()
    (life / "life.json").write_text(json.dumps(
        {"budget": {"mirror_ageing_db": 0.5}, "years": [0.1, 0.2], "design_years": 15.0}
    ))
    small = ["--set", "switch.geometry.ports_per_side=4", "--set", "switch.geometry.columns=2",
             "--set", "switch.budget.ports_in_service=4"]  # fmt: skip
    mean = {}
    for name, more in (("stated", []), ("lived", ["--life", str(life)])):
        out = tmp_path / name
        done = CliRunner().invoke(cli, ["connections", CASE, "--out", str(out), *small, *more])
        assert done.exit_code in (0, 1), done.output
        assert ("a life of 0.2 years: too short" in done.output) == (name == "lived")
        results = json.loads((out / "connections.json").read_text())
        mean[name] = results["end_of_life"]["added"]["ageing"]
    # Two mirrors a connection, each 0.5 dB in the place of 0.05 dB on the mean.
    assert mean["lived"] - mean["stated"] == pytest.approx(0.9, abs=0.02)
    assert "too short, life.years is 15," in (tmp_path / "lived" / "report.html").read_text()
    assert "mirror_ageing_db = 0.5" in (tmp_path / "lived" / "scenario.toml").read_text()


def test_the_demo_is_in_the_region_of_well_built_switches(folder):
    """Common practice, no source: mean below 1 dB, tail near 1.5 dB, limits of 1.8 and 2.8 dB."""
    s = json.loads((folder / "connections.json").read_text())["summary"]
    assert s["mean_db"] < 1.0
    assert 1.2 < s["max_db"] < 1.7
    assert s["over_acceptance"] == 0 and s["out_of_travel"] == 0


def test_the_page_is_whole(folder):
    page = (folder / "report.html").read_text()
    assert "all 9216 connections lose at most" in page
    assert page.count("<figure>") >= 5
    assert "does not replace measurement" in page


def test_a_missed_limit_is_exit_1_and_named(tmp_path):
    outcome = CliRunner().invoke(
        cli, ["connections", CASE, "--out", str(tmp_path / "o"), "--set",
              "mirror.travel_mrad=[50.0, 75.0]", "--set", "switch.budget.acceptance_db=1.1"],
    )  # fmt: skip
    assert outcome.exit_code == 1, outcome.output
    assert "need more travel than the mirrors have" in outcome.output
    assert "exceed the acceptance limit of 1.1 dB" in outcome.output


def test_a_case_without_sections_has_a_table_too(tmp_path):
    outcome = CliRunner().invoke(
        cli, ["connections", "single_mirror_step", "--out", str(tmp_path / "o")]
    )
    assert outcome.exit_code == 0, outcome.output
    assert "No limit was stated" in outcome.output


@pytest.mark.parametrize(
    "change, message",
    [
        ("switch.build.chip_bow_per_m=-1", "switch.build.chip_bow_per_m"),
        ("switch.band.stop_nm=1000", "stop_nm must exceed"),
        ("switch.band.metal=[[1300, 0.3, 8.0]]", "metal must span the band"),
        ("switch.budget.end_of_life_db=1.0", "end_of_life_db must be at least"),
        ("switch.aiming.level='guess'", "switch.aiming.level"),
    ],
)
def test_bad_input_is_one_message(tmp_path, change, message):
    outcome = CliRunner().invoke(
        cli, ["connections", CASE, "--out", str(tmp_path / "o"), "--set", change]
    )
    assert outcome.exit_code == 2
    assert message in outcome.output
    assert not (tmp_path / "o").exists()


def test_parquet_holds_what_the_csv_holds(tmp_path):
    parquet = pytest.importorskip("pyarrow.parquet")
    out = tmp_path / "o"
    sets = ["--set", "switch.geometry.ports_per_side=4", "--set", "switch.geometry.columns=2",
            "--set", "switch.budget.ports_in_service=4"]  # fmt: skip
    words = ["connections", "harrow_point_switch", "--parquet", "--out", str(out)]
    outcome = CliRunner().invoke(cli, [*words, *sets])
    assert outcome.exit_code in (0, 1), outcome.output
    for name, columns in (("connections", 18), ("geometry", 19)):
        holds_the_same(parquet.read_table(out / f"{name}.parquet"), out / f"{name}.csv", columns)


def holds_the_same(table, path, columns):
    rows = path.read_text().splitlines()
    assert len(table.column_names) == columns
    assert table.column_names == rows[0].split(",") and table.num_rows == len(rows) - 1 == 16
    csv = np.array([[float(v) for v in row.split(",")] for row in rows[1:]])
    got = np.array([table[name].to_numpy() for name in table.column_names]).T
    np.testing.assert_allclose(got, csv, atol=6e-5)  # the CSV has four decimals at least
