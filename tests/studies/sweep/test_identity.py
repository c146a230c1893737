"""What decides a sweep's outcomes is part of its identity, and a sweep that differs is refused."""

import json
import sys

from click.testing import CliRunner

from sim.cli.main import cli
from sim.studies.sweep.identity import code_of, identity_of, own_code
from sim.studies.sweep.plan import make_plan
from tests.studies.sweep.cases import NAME, QUICK, ROOT

SET = [word for value in QUICK for word in ("--set", value)]


def test_program_libraries_and_seeds_are_in_it(plan):
    identity = identity_of(plan)
    assert identity["packages"]["numpy"] and identity["packages"]["llvmlite"]
    assert identity["program"] == own_code() and len(own_code()) == 16
    assert identity["seeds"] == list(plan.seeds)
    json.dumps(identity)


def test_all_code_of_a_package_counts_and_none_of_it_runs(tmp_path, monkeypatch):
    package = tmp_path / "outside_laws"
    (package / "inner").mkdir(parents=True)
    (package / "__init__.py").write_text("raise RuntimeError('was run')\n")
    (package / "inner" / "law.py").write_text("GAIN = 1\n")
    monkeypatch.syspath_prepend(tmp_path)
    before = code_of("outside_laws.inner.law:Law")
    assert code_of("outside_laws.other:Law") == before != "missing"
    (package / "inner" / "law.py").write_text("GAIN = 2\n")
    assert code_of("outside_laws.inner.law:Law") != before
    assert "outside_laws" not in sys.modules


def test_code_in_one_file_counts_too(tmp_path, monkeypatch):
    (tmp_path / "one_law.py").write_text("GAIN = 1\n")
    monkeypatch.syspath_prepend(tmp_path)
    by_file, by_module = code_of(f"{tmp_path}/one_law.py:Law"), code_of("one_law:Law")
    assert by_file == by_module != "missing"
    (tmp_path / "one_law.py").write_text("GAIN = 2\n")
    assert code_of("one_law:Law") != by_module
    assert code_of("no_such_package:Law") == code_of("no_such_file.py:Law") == "missing"


def record(folder, amplitude):
    rows = "".join(f"{i / 200:.6f},{amplitude * (-1) ** i:.4f}\n" for i in range(400))
    (folder / "shake.csv").write_text("time_s,x_g\n" + rows)
    base = (ROOT / "scenarios" / f"{NAME}.toml").as_posix()
    (folder / "case.toml").write_text(
        f'base = "{base}"\n[[disturbances]]\nkind = "record"\nfile = "shake.csv"\nunits = "g"\n'
        'time_column = "time_s"\ncolumns = ["x_g", "", ""]\nstart_at_ms = 0\nremove_mean = false\n'
    )
    return folder / "case.toml"


def test_a_sweep_is_not_resumed_over_a_changed_record(tmp_path):
    case = record(tmp_path, 0.01)
    words = ["sweep", str(case), *SET, "--workers", "1", "--out", str(tmp_path / "out")]
    first = CliRunner().invoke(cli, words)
    assert first.exit_code in (0, 1), first.output
    table = (tmp_path / "out" / "table.csv").read_bytes()
    record(tmp_path, 0.02)
    second = CliRunner().invoke(cli, words)
    assert second.exit_code == 2, second.output
    assert "holds another sweep; its recorded files differ" in second.stderr
    assert "shake.csv" in second.stderr
    assert (tmp_path / "out" / "table.csv").read_bytes() == table
    record(tmp_path, 0.01)
    third = CliRunner().invoke(cli, words)
    assert third.exit_code == first.exit_code
    assert (tmp_path / "out" / "table.csv").read_bytes() == table


def test_points_and_outside_code_are_named(tmp_path):
    plan = make_plan(NAME, ("camera.bits=8,10",), overrides=QUICK)
    assert identity_of(plan)["outside code"] == {} and identity_of(plan)["points"] == [[8], [10]]
