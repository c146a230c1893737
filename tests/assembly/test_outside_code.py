"""Parts of the user's own by file: found, kept with the result, and run only when asked for."""

import hashlib
import json

import numpy as np
import pytest

from controllers import CONTROLLERS
from sim.foundations.kinds.outside import offered_parts
from sim.scenario.model import load_scenario
from sim.scenario.portable import portable
from tests.assembly.outside_code import (
    CONTROLLER,
    ESTIMATOR,
    LEAKY,
    case,
    mirrorloop,
    package,
)


def test_a_file_beside_the_scenario_runs_wherever_the_command_is_given(tmp_path, monkeypatch):
    path = case(tmp_path, CONTROLLER.format(kind="leaky.py:Leaky"), leaky=LEAKY)
    (tmp_path / "elsewhere").mkdir()
    monkeypatch.chdir(tmp_path / "elsewhere")
    outcome = mirrorloop("run", path, "--out", tmp_path / "out")
    assert outcome.exit_code == 0, outcome.output
    results = json.loads((tmp_path / "out" / "results.json").read_text())
    (code,) = results["provenance"]["outside_code"]
    assert code["kind"] == "leaky.py:Leaky"
    assert code["sha256"] == hashlib.sha256(LEAKY.encode()).hexdigest()
    assert str(tmp_path) not in (tmp_path / "out" / "scenario.toml").read_text()
    assert not list(tmp_path.rglob("__pycache__"))


def test_a_result_runs_again_from_its_own_folder(tmp_path):
    path = case(tmp_path, CONTROLLER.format(kind="leaky.py:Leaky"), leaky=LEAKY)
    assert mirrorloop("run", path, "--out", tmp_path / "out").exit_code == 0
    (tmp_path / "leaky.py").unlink()
    again = mirrorloop("run", tmp_path / "out" / "scenario.toml", "--out", tmp_path / "again")
    assert again.exit_code == 0, again.output
    first, second = (np.load(tmp_path / name / "traces.npz") for name in ("out", "again"))
    np.testing.assert_array_equal(first["error_rad"], second["error_rad"])


def test_two_files_of_one_name_are_kept_apart_in_a_result(tmp_path):
    for name in ("a", "b"):
        (tmp_path / name).mkdir()
    text = CONTROLLER.format(kind="a/own.py:Leaky") + ESTIMATOR.format(kind="b/own.py:Reader")
    tree = portable(load_scenario(case(tmp_path, text)))
    assert tree["controller"]["kind"].endswith("own.py:Leaky")
    assert tree["controller"]["kind"].split(":")[0] != tree["estimator"]["kind"].split(":")[0]


def test_an_edited_file_is_read_again(tmp_path):
    kind = f"{tmp_path / 'own.py'}:Leaky"
    (tmp_path / "own.py").write_text(LEAKY)
    first = CONTROLLERS.find(kind)
    assert CONTROLLERS.find(kind) is first
    (tmp_path / "own.py").write_text(LEAKY + "\nLeaky.edited = True\n")
    assert CONTROLLERS.find(kind).edited and not hasattr(first, "edited")


def test_check_runs_no_outside_code_unless_asked_for(tmp_path):
    trap = LEAKY + f"\nopen({str(tmp_path / 'ran')!r}, 'w').close()\n"
    path = case(tmp_path, CONTROLLER.format(kind="trap.py:Leaky"), trap=trap)
    outcome = mirrorloop("check", path)
    assert outcome.exit_code == 0, outcome.output
    assert not (tmp_path / "ran").exists()
    assert "trap.py:Leaky" in outcome.stdout and "not loaded" in outcome.stdout
    assert mirrorloop("check", path, "--load").exit_code == 0
    assert (tmp_path / "ran").exists()


@pytest.mark.parametrize("section", ["controller", "estimator", "shaping", "disturbances"])
@pytest.mark.parametrize("kind", ["trap.py:Leaky", "trap_module:Leaky", "trap_offered"])
def test_list_and_check_run_no_code_however_it_is_named(section, kind, tmp_path, monkeypatch):
    ran = tmp_path / "ran"
    trap = f"open({str(ran)!r}, 'w').close()\n"
    for name in ("trap", "trap_module"):
        (tmp_path / f"{name}.py").write_text(trap, encoding="utf-8")
    points = "".join(
        f"[mirrorloop.{family}]\ntrap_offered = trap_module:Leaky\n"
        for family in ("controllers", "estimators", "shapers", "disturbances")
    )
    package(tmp_path, "trap_offering", points, module=trap)
    monkeypatch.syspath_prepend(tmp_path)
    offered_parts.cache_clear()
    table = f'{{kind = "{kind}"}}'
    path = case(tmp_path, f"{section} = [{table}]\n" if section == "disturbances" else
                f"{section} = {table}\n")  # fmt: skip
    outcome = mirrorloop("check", path)
    listed = mirrorloop("list")
    offered_parts.cache_clear()
    assert outcome.exit_code == 0 and kind in outcome.stdout, outcome.output
    assert listed.exit_code == 0 and not ran.exists()
