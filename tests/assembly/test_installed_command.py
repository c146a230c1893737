"""The installed command takes parts by file, by module and by the name of an installed package."""

import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from tests.assembly.outside_code import (
    CONTROLLER,
    LEAKY,
    case,
    package,
)

INSTALLED = Path(sys.executable).with_name("mirrorloop")


def command(folder: Path, *arguments):
    """Run the installed command in a folder of its own, a package folder on its path."""
    if not INSTALLED.exists():
        pytest.skip("the mirrorloop command is not installed beside this Python")
    environment = os.environ | {"PYTHONPATH": str(folder)}
    return subprocess.run(
        [INSTALLED, *map(str, arguments)], env=environment, cwd="/", text=True,
        capture_output=True, timeout=300, check=False,
    )  # fmt: skip


def test_installed_command_takes_a_file_and_a_module(tmp_path):
    case(tmp_path, CONTROLLER.format(kind="leaky.py:Leaky"), leaky=LEAKY)
    by_file = command(tmp_path / "none", "run", tmp_path / "case.toml", "--out", tmp_path / "a")
    assert by_file.returncode == 0, by_file.stderr
    case(tmp_path, CONTROLLER.format(kind="leaky:Leaky"))
    by_module = command(tmp_path, "run", tmp_path / "case.toml", "--out", tmp_path / "b")
    assert by_module.returncode == 0, by_module.stderr
    a, b = (np.load(tmp_path / name / "traces.npz") for name in ("a", "b"))
    np.testing.assert_array_equal(a["error_rad"], b["error_rad"])


def test_installed_command_takes_a_plain_name_of_an_installed_package(tmp_path):
    package(tmp_path, "leaky_lab", "[mirrorloop.controllers]\nleaky = leaky_lab:Leaky\n")
    path = case(tmp_path, CONTROLLER.format(kind="leaky"))
    checked = command(tmp_path, "check", path)
    assert checked.returncode == 0, checked.stderr
    assert "leaky_lab:Leaky of leaky_lab 1.2" in checked.stdout
    ran = command(tmp_path, "run", path, "--out", tmp_path / "out")
    assert ran.returncode == 0, ran.stderr
    results = json.loads((tmp_path / "out" / "results.json").read_text())
    (code,) = results["provenance"]["outside_code"]
    assert (code["kind"], code["package"]) == ("leaky", "leaky_lab 1.2")
    misspelt = case(tmp_path, CONTROLLER.format(kind="leakyy"))
    assert 'Did you mean "leaky"?' in command(tmp_path, "check", misspelt).stderr


def test_a_package_that_offers_a_shipped_name_is_refused(tmp_path):
    package(tmp_path, "leaky_lab", "[mirrorloop.controllers]\nintegrator = leaky_lab:Leaky\n")
    outcome = command(tmp_path, "check", case(tmp_path, CONTROLLER.format(kind="integrator")))
    assert outcome.returncode == 2
    (line,) = outcome.stderr.splitlines()
    assert "controllers.integrator:Integrator" in line
    assert "leaky_lab:Leaky of leaky_lab 1.2" in line
