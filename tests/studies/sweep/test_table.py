"""CSV and Parquet hold the same table; nothing that can vary is in it."""

import csv

import pytest

from sim.foundations.errors import OutputError
from sim.results.table import FIGURE_OF
from sim.studies.sweep.one_run import RunOutcome
from sim.studies.sweep.plan import make_plan
from sim.studies.sweep.table import make_table, put, write_csv, write_parquet
from tests.studies.sweep.cases import NAME

FIGURES = dict.fromkeys(FIGURE_OF, 0.1 + 0.2) | {"settling.max_ms": None, "lost.frames": 3}
OUTCOMES = {
    2: RunOutcome({}, (), 'says "no",\nand stops', 9.0),
    0: RunOutcome(FIGURES, ("rms_urad", "p99_urad"), None, 1.0),
    1: RunOutcome(FIGURES, (), None, 2.0),
}


def small_plan():
    vary = ("mirror.resonance_hz=[700.0,760.0],[600.0,650.0]", "camera.bits=10")
    return make_plan(NAME, vary, seeds=2, overrides=("seed=4",))


def test_rows_are_in_the_order_of_the_plan_and_hold_no_times():
    table = make_table(small_plan(), OUTCOMES)
    assert table["run"] == [0, 1, 2] and table["point"] == [0, 0, 1]
    assert table["seed"] == [4, 5, 4]
    assert table["mirror.resonance_hz"] == ["[700.0, 760.0]"] * 2 + ["[600.0, 650.0]"]
    assert table["limits_missed"] == ["rms_urad p99_urad", "", None]
    slower = {run: outcome._replace(wall_s=77.0) for run, outcome in OUTCOMES.items()}
    assert make_table(small_plan(), slower) == table


def test_csv_keeps_every_digit_and_leaves_missing_figures_empty(tmp_path):
    write_csv(make_table(small_plan(), OUTCOMES), tmp_path / "table.csv")
    with (tmp_path / "table.csv").open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 3
    assert float(rows[0]["pointing.rms_urad"]) == 0.1 + 0.2
    assert rows[0]["settling.max_ms"] == "" and rows[0]["lost.frames"] == "3"
    assert rows[2]["error"] == 'says "no",\nand stops' and rows[2]["lost.frames"] == ""


def test_parquet_is_the_same_table(tmp_path):
    parquet = pytest.importorskip(
        "pyarrow.parquet", reason='needs pyarrow: pip install "mirrorloop[cluster]"'
    )
    table = make_table(small_plan(), OUTCOMES)
    write_parquet(table, tmp_path / "table.parquet")
    read = parquet.read_table(tmp_path / "table.parquet")
    assert read.to_pydict() == table
    assert str(read.schema.field("lost.frames").type) == "double"
    assert str(read.schema.field("run").type) == "int64"


def test_parquet_missing_is_said_in_one_line(monkeypatch, tmp_path):
    monkeypatch.setitem(__import__("sys").modules, "pyarrow.parquet", None)
    monkeypatch.setitem(__import__("sys").modules, "pyarrow", None)
    with pytest.raises(OutputError, match=r"--parquet needs the \"cluster\" extra: pip install"):
        write_parquet(make_table(small_plan(), OUTCOMES), tmp_path / "table.parquet")


def test_a_file_is_put_whole_or_not_at_all(tmp_path):
    put(tmp_path / "a", b"old")
    with pytest.raises(TypeError):
        put(tmp_path / "a", "text")  # type: ignore[arg-type]
    assert (tmp_path / "a").read_bytes() == b"old"
    assert [p.name for p in tmp_path.iterdir()] == ["a"]
