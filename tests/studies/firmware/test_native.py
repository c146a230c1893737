"""Firmware in C in the simulated loop: the same run as the bit-true model's, to the last bit."""

import shutil
from ctypes import c_void_p
from dataclasses import fields

import numpy as np
import pytest
from click.testing import CliRunner

from sim.assembly.build import build
from sim.cli.main import cli
from sim.firmware import compiling
from sim.firmware.folder import read_folder
from sim.firmware.native import NativeController, NativeDrive, NativeEstimator, library_of
from sim.foundations.errors import ScenarioError
from sim.loop.saved import load_state, save_state
from sim.loop.simulate import finished, simulate, steps
from sim.loop.state import initial_state
from sim.scenario.gallery import find
from sim.scenario.model import load_scenario
from sim.scenario.portable import copy_files, portable_toml
from sim.studies.firmware.writing import write_firmware
from tests.firmware.made_firmware import FEW, small

pytestmark = pytest.mark.skipif(
    not any(map(shutil.which, compiling.COMPILERS)), reason="no C compiler"
)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return write_firmware(small(), tmp_path_factory.mktemp("native") / "firmware")


def native(folder, *overrides):
    asked = (*FEW, f"estimator.kind=c:{folder}", f"controller.kind=c:{folder}", *overrides)
    return build(load_scenario(find("harrow_point_reconfigure"), asked))


def test_the_run_is_that_of_the_model(folder):
    ours, model = native(folder), small()
    assert isinstance(ours.parts.controller, NativeController)
    assert isinstance(ours.parts.measurement.estimator, NativeEstimator)
    assert isinstance(ours.parts.coded, NativeDrive)
    a, b = simulate(ours.parts).traces, simulate(model.parts).traces
    assert {"error_rad", "status", "correction_rad"} <= set(arrays(a))
    for name, found in arrays(a).items():
        np.testing.assert_array_equal(found, arrays(b)[name], err_msg=name)


def arrays(traces):
    found = {f.name: getattr(traces, f.name) for f in fields(traces)}
    return {name: value for name, value in found.items() if isinstance(value, np.ndarray)}


def test_a_saved_run_goes_on_to_the_same_bits(folder, tmp_path):
    built = native(folder)
    whole = simulate(built.parts).traces
    *_, half = steps(built.parts, initial_state(built.parts), until=70)
    assert half.control.memory.any()
    save_state(built.parts, half, tmp_path / "state.npz")
    again = native(folder)
    *_, last = steps(again.parts, load_state(again.parts, tmp_path / "state.npz"))
    resumed = finished(again.parts, last).traces
    for name, found in arrays(whole).items():
        np.testing.assert_array_equal(found, arrays(resumed)[name], err_msg=name)


def test_a_change_of_the_source_is_compiled(folder, tmp_path):
    changed = tmp_path / "changed"
    shutil.copytree(folder, changed)
    path = changed / "src" / "settings.h"
    path.write_text(path.read_text().replace("SPOT_THRESHOLD (60)", "SPOT_THRESHOLD (80)"))
    pixels = np.full((1, 24, 24), 40, np.int32)
    pixels[0, 10:14, 10:14] = 500
    lights = []
    for place in (folder, changed):
        estimator = native(place).parts.measurement.estimator
        lights.append(float(estimator(pixels, camera=None).flux_dn[0]))
    assert lights == [16 * 440.0, 16 * 420.0]


def test_a_window_that_ends_early_is_void(folder):
    # Rows are fed by hand; `spot_end` after 23 of 24 says FAILED, and the law holds.
    library = library_of(read_folder(folder))
    spot, reading = np.zeros(64, np.uint8), np.zeros(8, np.int32)
    row = np.full(24, 500, np.uint16)
    for rows, status in ((23, 3), (24, 0), (30, 0)):
        library.spot_begin(spot.ctypes.data_as(c_void_p))
        for _ in range(rows):
            library.spot_row(spot.ctypes.data_as(c_void_p), row.ctypes.data_as(c_void_p))
        library.spot_end(spot.ctypes.data_as(c_void_p), reading.ctypes.data_as(c_void_p))
        assert reading[4] == status


def test_check_runs_no_code_and_says_so(folder, tmp_path, monkeypatch):
    broken = tmp_path / "broken"
    shutil.copytree(folder, broken)
    (broken / "src" / "law.c").write_text("#error this would be noticed\n")
    words = ["check", "harrow_point_reconfigure", "--set", f"controller.kind=c:{broken}"]
    words += [w for o in FEW for w in ("--set", o)]
    done = CliRunner().invoke(cli, words)
    assert done.exit_code == 0, done.output
    assert f"runs outside code: c:{broken}; not loaded, so not checked" in done.output
    loaded = CliRunner().invoke(cli, [*words, "--load"])
    assert loaded.exit_code == 2 and "this would be noticed" in loaded.output


def test_no_compiler_is_one_message(folder, monkeypatch):
    monkeypatch.setattr("sim.firmware.native._libraries", {})
    monkeypatch.delenv("CC", raising=False)
    monkeypatch.setattr(compiling.shutil, "which", lambda name: None)
    words = ["check", "harrow_point_reconfigure", "--load", "--set", f"controller.kind=c:{folder}"]
    done = CliRunner().invoke(cli, words + [w for o in FEW for w in ("--set", o)])
    assert done.exit_code == 2
    assert "a C compiler is needed, and none of cc, gcc, clang is there" in done.output
    assert "Traceback" not in done.output


@pytest.mark.parametrize(
    ("overrides", "match"),
    [
        (("controller.kind=c:nowhere",), r"controller\.kind: .*there is no such folder"),
        (("shaping.kind=c:{}",), r"shaping\.kind: .*an estimator and a controller, no shaping"),
        (("controller.kind=c:{}", "camera.scale_px_per_mrad=0.6"), r"made for camera\.scale"),
        (("estimator.kind=c:{}", "camera.window_px=[24,26]"), r"for windows of 24 x 24"),
        (("controller.kind=c:{}", "switch.geometry.ports_per_side=6"), r"is made for 8 mirrors"),
        (
            ("controller.kind=c:{}", 'controller.arithmetic={{kind="fixed"}}'),
            r"controller\.arithmetic: firmware in C has its own",
        ),
        (("controller.kind=c:{}", "controller.gain=1"), r"controller\.gain"),
        (("controller.kind=c:{}", "drive.bits=12"), r"is made for codes from -\d+ to \d+"),
    ],
)
def test_what_does_not_fit_is_refused(folder, overrides, match):
    asked = (*FEW, *(o.format(folder) for o in overrides))
    with pytest.raises(ScenarioError, match=match):
        build(load_scenario(find("harrow_point_reconfigure"), asked))


def test_codes_of_another_calibration_are_named(folder):
    own = native(folder)
    assert not any("calibration" in each for each in own.warnings)
    other = native(folder, "drive.calibration_error_pct=3.0")
    said = next(each for each in other.warnings if "another calibration of the drive" in each)
    # Codes per pixel go as one over the believed gain.
    apart = other.parts.fleet.believed_gain / own.parts.fleet.believed_gain - 1.0
    axis, column = np.unravel_index(np.abs(apart).argmax(), apart.shape)
    assert f"by up to {100 * apart[axis, column]:+.2g} % (column {column} of" in said
    assert f"along {'xy'[axis]})" in said


def test_a_folder_that_is_no_firmware_is_refused(folder, tmp_path):
    for name, text, match in (
        ("empty", None, "it has no firmware.json"),
        ("text", "{", "is not valid JSON"),
        ("keys", "{}", "format: Field required"),
    ):
        place = tmp_path / name
        place.mkdir()
        if text is not None:
            (place / "firmware.json").write_text(text)
        with pytest.raises(ScenarioError, match=match):
            native(place)
    copy = tmp_path / "copy"
    shutil.copytree(folder, copy)
    (copy / "src" / "law.c").unlink()
    with pytest.raises(ScenarioError, match=r'names "src/law\.c", and there is no such file'):
        native(copy)
    index = folder / "firmware.json"
    outside = tmp_path / "outside"
    shutil.copytree(folder, outside)
    (outside / "firmware.json").write_text(index.read_text().replace("src/law.c", "../law.c"))
    with pytest.raises(ScenarioError, match="is not in its folder"):
        native(outside)


def test_a_scenario_takes_its_firmware_with_it(folder, tmp_path):
    scenario = native(folder).resolved
    copy_files(scenario, tmp_path)
    (tmp_path / "scenario.toml").write_text(portable_toml(scenario))
    there = load_scenario(tmp_path / "scenario.toml", ())
    assert there.controller["kind"] == f"c:{tmp_path / 'code' / 'firmware'}"
    build(there)


def test_coefficients_of_each_mirror_are_said_to_be_the_folders(folder, tmp_path):
    assert not any("coefficients for each mirror" in line for line in native(folder).warnings)
    copy = tmp_path / "copy"
    shutil.copytree(folder, copy)
    index = copy / "firmware.json"
    index.write_text(index.read_text().replace('"each_its_own": false', '"each_its_own": true'))
    assert any("coefficients for each mirror" in line for line in native(copy).warnings)
