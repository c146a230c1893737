"""Parts of the user's own: three ways to name them, and one message for each of their faults."""

import hashlib
import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from controllers import CONTROLLERS
from sim.cli.main import cli
from sim.disturbances import DISTURBANCES
from sim.estimators import ESTIMATORS
from sim.foundations.errors import PlugInError, ScenarioError
from sim.foundations.kinds.outside import installed
from sim.scenario.model import load_scenario
from sim.scenario.portable import portable

ONE_MIRROR = Path(__file__).parents[1] / "one_mirror.toml"
LEAKY = '''
import numpy as np
from sim.foundations.params import Block, Fraction

class LeakyParams(Block):
    gain: Fraction

class Leaky:
    Params = LeakyParams

    def __init__(self, params, plant):
        self.params = params

    def initial_state(self, n_mirrors):
        return np.zeros((n_mirrors, 2))

    def step(self, state, reading, setpoint):
        seen = np.isfinite(reading.tilt_rad)
        error = np.where(seen, setpoint.reference_rad - reading.tilt_rad, 0.0)
        correction = np.clip(
            0.99 * state + self.params.gain * error, setpoint.lowest_rad, setpoint.highest_rad
        )
        return correction, correction
'''
READER = '''
from sim.estimators import EstimatorKind
from sim.estimators.centroid import thresholded_centroid
from sim.estimators.settings import SpotSettings

class Params(SpotSettings):
    threshold_dn: int

def read(frames_dn, *, camera, **settings):
    reading = thresholded_centroid(frames_dn, camera=camera, **settings)
    BODY
    return reading

Reader = EstimatorKind(read, Params)
'''
INSTALLED = Path(sys.executable).with_name("mirrorloop")
CONTROLLER = 'controller = {{kind = "{kind}", gain = 0.3}}\n'
ESTIMATOR = (
    'estimator = {{kind = "{kind}", threshold_dn = 800, min_flux_dn = 1500.0, edge_px = 3.0}}\n'
)


def case(folder: Path, line: str, **files: str) -> Path:
    """Write a scenario of one part in a folder, beside files of code."""
    for name, text in files.items():
        (folder / f"{name}.py").write_text(text, encoding="utf-8")
    path = folder / "case.toml"
    path.write_text(f'base = "{ONE_MIRROR.as_posix()}"\n{line}', encoding="utf-8")
    return path


def mirrorloop(*arguments):
    return CliRunner().invoke(cli, [str(argument) for argument in arguments])


def refused(folder: Path, line: str, command: str = "run", **files: str) -> str:
    """Return the one message of a run that is refused with exit code 2, writing nothing."""
    path = case(folder, line, **files)
    out = ("--out", folder / "out") if command == "run" else ("--load",)
    outcome = mirrorloop(command, path, *out)
    assert outcome.exit_code == 2, outcome.output
    assert not (folder / "out").exists()
    message = outcome.stderr.splitlines()[-1]
    assert message.startswith("error: ")
    assert outcome.stderr.count("error: ") == 1 and "Traceback" not in outcome.stderr
    return message


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
    installed.cache_clear()
    table = f'{{kind = "{kind}"}}'
    path = case(tmp_path, f"{section} = [{table}]\n" if section == "disturbances" else
                f"{section} = {table}\n")  # fmt: skip
    outcome = mirrorloop("check", path)
    listed = mirrorloop("list")
    installed.cache_clear()
    assert outcome.exit_code == 0 and kind in outcome.stdout, outcome.output
    assert listed.exit_code == 0 and not ran.exists()


def test_check_without_loading_still_finds_the_other_faults(tmp_path):
    line = CONTROLLER.format(kind="leaky.py:Leaky")
    path = case(tmp_path, line + "[drive]\nfull_scale_mrad = 1.0\n", leaky=LEAKY)
    path.write_text(path.read_text() + "[camera]\nexposure_us = 1e6\n")
    outcome = mirrorloop("check", path)
    assert outcome.exit_code == 2 and "exposure_us" in outcome.stderr, outcome.output
    gone = case(tmp_path, CONTROLLER.format(kind="gone.py:Leaky"))
    outcome = mirrorloop("check", gone)
    assert outcome.exit_code == 2 and "there is no such file" in outcome.stderr


WRONG = {
    "no Params": ("class Leaky:\n def initial_state(self, n): pass\n"
                  " def step(self, a, b, c): pass\n", "has no Params"),
    "no step": ("class Leaky:\n Params = 1\n def initial_state(self, n): pass\n",
                "is not a controller: it has no step(state, reading, setpoint)"),
    "Params of another sort": (LEAKY.replace("Params = LeakyParams", "Params = dict"),
                               "no parameter block"),
    "another signature": (LEAKY.replace("state, reading, setpoint", "state, reading"),
                          "cannot be called as step(state, reading, setpoint)"),
    "constructor of another signature": (LEAKY.replace("self, params, plant", "self"),
                                         "cannot be called as __init__(params, plant)"),
    "raises when loaded": ("raise RuntimeError('no\\nluck')", "RuntimeError: no luck"),
    "exits": ("import sys; sys.exit(3)", "SystemExit: 3"),
    "does not parse": ("def (:", "SyntaxError"),
    "imports what is not there": ("import nowhere_at_all", "nowhere_at_all"),
    "another name": (LEAKY.replace("class Leaky:", "class Leakey:"), 'Did you mean "Leakey"?'),
    "an instance": ("Leaky = 5", "it is an int, not a class"),
    "raises when made": (LEAKY.replace("self.params = params", "1 / 0"),
                         "failed when it was made: ZeroDivisionError"),
    "refuses": (LEAKY.replace("self.params = params", "raise ValueError('gain too high')"),
                "gain too high"),
}  # fmt: skip


@pytest.mark.parametrize("name", WRONG)
def test_code_that_is_no_controller_is_one_message(name, tmp_path):
    text, words = WRONG[name]
    message = refused(
        tmp_path, CONTROLLER.format(kind="own.py:Leaky"), "check", own=text
    )
    assert words in message and "controller" in message


@pytest.mark.parametrize(
    ("kind", "words"),
    [
        ("os.path:join", "not a controller: it is a function, not a class"),
        ("sys:maxsize", "not a controller: it is an int, not a class"),
        ("nowhere_at_all:X", 'there is no package "nowhere_at_all"'),
        (":X", "cannot be loaded"),
        ("..x:Y", "cannot be loaded"),
        ("os:", "cannot be loaded"),
        ("a b:c", "cannot be loaded"),
        ("collections.abc:Sized", "it has no initial_state(n_mirrors) and no step("),
    ],
)
def test_kinds_that_lead_nowhere(kind, words, tmp_path):
    assert words in refused(tmp_path, CONTROLLER.format(kind=kind), "check")


def test_families_are_distinguished(tmp_path):
    (tmp_path / "own.py").write_text(LEAKY)
    kind = f"{tmp_path / 'own.py'}:Leaky"
    with pytest.raises(PlugInError, match=r"not a disturbance: it has no advance\(state, first"):
        DISTURBANCES.find(kind)
    with pytest.raises(PlugInError, match="not an estimator: it is no EstimatorKind"):
        ESTIMATORS.find(kind)


GIVES = "return correction, correction"
CRASHES = {
    "step": (LEAKY.replace("seen =", "1 / 0; seen ="), ['"', "own.py:Leaky", "ZeroDivisionError"]),
    "shape": (LEAKY.replace(GIVES, f"{GIVES}[:, :1]"),
              ["own.py:Leaky", "must be of shape (2, 2)"]),
    "NaN": (LEAKY.replace(GIVES, f"{GIVES} * np.nan"),
            ["own.py:Leaky", "mirror 0", "must be finite"]),
}  # fmt: skip


@pytest.mark.parametrize("name", CRASHES)
def test_a_controller_that_fails_in_the_loop_is_named(name, tmp_path):
    text, words = CRASHES[name]
    message = refused(tmp_path, CONTROLLER.format(kind="own.py:Leaky"), own=text)
    assert all(word in message for word in words), message


def test_debug_shows_where_it_failed(tmp_path):
    path = case(tmp_path, CONTROLLER.format(kind="own.py:Leaky"), own=CRASHES["step"][0])
    outcome = mirrorloop("--debug", "run", path, "--out", tmp_path / "out")
    assert outcome.exit_code == 2
    assert "Traceback" in outcome.stderr and "own.py" in outcome.stderr
    assert outcome.stderr.splitlines()[-1].startswith("error: ")


READINGS = {
    "writes": ("frames_dn[:] = 0", ["own.py:Reader", "ValueError", "read-only"]),
    "NaN": ("reading.spot_px[1, 0] = float('nan')",
            ["own.py:Reader", "mirror 1, 0 ms", "status OK", "not finite"]),
    "nothing": ("return None", ["own.py:Reader", "NoneType, not a SpotReading"]),
    "shape": ("reading = reading._replace(flux_dn=reading.flux_dn[:1])", ["flux_dn", "(2,)"]),
    "status": ("reading.status[1] = 9", ["mirror 1", "(got 9)"]),
    "raises": ("raise KeyError('spot')", ["own.py:Reader", "KeyError"]),
}  # fmt: skip


@pytest.mark.parametrize("name", READINGS)
def test_an_estimator_that_fails_in_the_loop_is_named(name, tmp_path):
    body, words = READINGS[name]
    text = READER.replace("BODY", body)
    message = refused(tmp_path, ESTIMATOR.format(kind="own.py:Reader"), own=text)
    assert all(word in message for word in words), message


def test_an_estimator_of_ones_own_reads_as_the_shipped_one(tmp_path):
    path = case(tmp_path, ESTIMATOR.format(kind="own.py:Reader"), own=READER.replace("BODY", ""))
    for name, scenario in (("own", path), ("shipped", ONE_MIRROR)):
        assert mirrorloop("run", scenario, "--out", tmp_path / name).exit_code == 0
    own, shipped = (np.load(tmp_path / name / "traces.npz") for name in ("own", "shipped"))
    np.testing.assert_array_equal(own["error_rad"], shipped["error_rad"])


SHAKER = '''
import numpy as np
from sim.foundations.params import Block
from sim.foundations.ports import Effects

class Shaker:
    class Params(Block):
        pass

    def __init__(self, params, site):
        self.m = len(site.mirror_ids)

    def initial_state(self):
        return None

    def advance(self, state, first_frame, n_frames):
        BODY
'''


@pytest.mark.parametrize(
    ("body", "words"),
    [
        ("return state, Effects(gain=np.zeros(n_frames))", ["gain must be of shape"]),
        ("return state, Effects(gain=np.full(n_frames + 1, np.inf))", ["gain must be finite"]),
        ("return state, None", ["not Effects"]),
        ("raise OSError('gone')", ["OSError: gone"]),
    ],
)
def test_a_disturbance_that_fails_is_named(body, words, tmp_path):
    message = refused(
        tmp_path, 'disturbances = [{kind = "own.py:Shaker"}]\n', own=SHAKER.replace("BODY", body)
    )
    assert all(word in message for word in ["own.py:Shaker", *words]), message


def test_a_shaper_that_gives_no_path_is_named(tmp_path):
    text = (
        "from sim.foundations.params import Block\nclass Own:\n class Params(Block):\n  pass\n"
        " def __init__(self, params, plant): pass\n"
        " def path(self, start_rad, target_rad): return target_rad\n"
    )
    line = (
        'shaping = {kind = "own.py:Own"}\n'
        'switch = {moves = [{at_ms = 10, connections = "identity"}]}\n'
    )
    message = refused(tmp_path, line, own=text)
    assert 'shaping "' in message and "own.py:Own" in message
    assert "must be of shape (K, 2, 2)" in message


def package(folder: Path, name: str, points: str, module: str = LEAKY) -> None:
    """Lay a package down as an installer does: its module, and what it says of itself."""
    (folder / f"{name}.py").write_text(module, encoding="utf-8")
    info = folder / f"{name}-1.2.dist-info"
    info.mkdir()
    (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {name}\nVersion: 1.2\n")
    (info / "entry_points.txt").write_text(points)


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


def test_unknown_kinds_name_the_nearest():
    with pytest.raises(ScenarioError, match='unknown controller "integratr". Did you mean "integ'):
        CONTROLLERS.find("integratr")
