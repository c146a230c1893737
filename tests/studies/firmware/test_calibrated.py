"""A calibrated switch taken home: pixel maps, lens and guard in C against the bit-true model."""

import re
import shutil
import subprocess
from dataclasses import fields

import numpy as np
import pytest

from sim.assembly.build import build
from sim.firmware.c import read_vectors
from sim.firmware.calibrated.native import NativeGuard, NativeLens, NativePixelCorrection
from sim.firmware.emulator import emulated_counts
from sim.foundations.errors import PlugInError, ScenarioError
from sim.loop.simulate import simulate
from sim.scenario.gallery import find
from sim.scenario.model import load_scenario
from sim.studies.firmware.vectors import vectors_of
from sim.studies.firmware.vectors_filing import write_vectors
from sim.studies.firmware.writing import write_firmware
from sim.studies.formats.measured import Measured
from sim.studies.formats.ranges import word_rows
from tests.firmware.made_firmware import COMPILERS, EMULATED, FIXED

FEW = (
    "switch.connections=[[0,0],[1,1],[12,12],[13,13]]", "switch.moves=[]", "duration_ms=60",
    "metrics.hold_from_ms=40", "limits={}", "camera.prnu_pct=1.0",
    "spot_guard={margin_px=0.0,excess_light_pct=50.0}",
)  # fmt: skip
SHAPE = (2, 816, 1200)
pytestmark = pytest.mark.skipif(shutil.which("make") is None, reason="no make")


@pytest.fixture(scope="module")
def maps(tmp_path_factory):
    rng = np.random.default_rng(5)
    path = tmp_path_factory.mktemp("maps") / "maps.npz"
    dark = rng.normal(0, 2, SHAPE).astype(np.float32)
    np.savez(path, dark_dn=dark, response=rng.normal(1, 0.01, SHAPE).astype(np.float32))
    return path


def calibrated(*asked):
    return build(load_scenario(find("harrow_point_calibrated"), (*FEW, *asked)))


def in_words(*asked):
    return calibrated(f"estimator.arithmetic={FIXED}", f"controller.arithmetic={FIXED}", *asked)


@pytest.fixture(scope="module")
def made(tmp_path_factory, maps):
    place = tmp_path_factory.mktemp("calibrated")
    built = in_words(f"calibration.maps={maps}")
    firmware = write_firmware(built, place / "firmware")
    return firmware, write_vectors(vectors_of(built, 12, 8), built, place / "vectors")


def replayed(firmware, vectors, target="replay", compiler="cc"):
    done = subprocess.run(
        ["make", "-s", "-B", f"CC={compiler}", "CFLAGS=-O1", f"build/{target}"],
        cwd=firmware, capture_output=True, text=True,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return subprocess.run([firmware / "build" / target, vectors], capture_output=True, text=True)


@pytest.mark.parametrize("compiler", COMPILERS)
def test_every_value_is_that_of_the_model(made, compiler):
    done = replayed(*made, "sanitized", compiler)
    assert done.returncode == 0, done.stdout + done.stderr
    groups = re.findall(r"^(\w+) +(\d+) rows +(\d+) values", done.stdout, re.MULTILINE)
    assert [name for name, _, _ in groups][-3:] == ["pixels", "lens", "guard"]
    index = read_vectors.index(made[1])
    rows = {line["what"]: line["rows"] for line in index["coverage"]}
    for what in ("pixel, on a tie", "pixel, below a tie", "lens, on a tie", "guard: doubted"):
        assert rows[what] > 0, what


@pytest.mark.parametrize(
    ("file", "old", "new"),
    [
        ("pixels.c", "(PIXEL_SHIFT - 1))", "(PIXEL_SHIFT - 1)) - 1"),
        ("pixels.c", "(2 * sum + count)", "(2 * sum)"),
        ("pixels.c", "row + 1 < pixels->arrived", "row + 1 < WINDOW_HEIGHT"),
        ("pixels.c", "x == SENSOR_WIDTH - 1 ?", "x == SENSOR_WIDTH ?"),
        ("lens.c", "LENS_GUARD_BITS, ROUNDING_UP)", "LENS_GUARD_BITS, ROUNDING_FLOOR)"),
        ("lens.c", "squared > lens_limit[sensor]", "squared > lens_limit[sensor] + 4000000"),
        ("lens.c", "- lens_turn[sensor][1] * q[0]", "+ lens_turn[sensor][1] * q[0]"),
        ("guard.c", "squared(place, position) < nearest", "squared(place, position) <= nearest"),
        ("guard.c", "place[part] >= low", "place[part] > low"),
        ("guard.c", "<= high", "< high"),
        ("guard.c", "light > guard", "light >= guard"),
    ],
)  # fmt: skip
def test_a_single_fault_is_noticed(made, tmp_path, file, old, new):
    original, vectors = made
    firmware = tmp_path / "firmware"
    shutil.copytree(original, firmware, ignore=shutil.ignore_patterns("build", "maps.bin"))
    path = firmware / "src" / file
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new))
    done = replayed(firmware, vectors)
    assert done.returncode == 1, done.stdout


@EMULATED
def test_the_same_words_on_an_emulated_processor(made):
    found = emulated_counts(*made)  # a value that differs would be an error
    assert found.static_bytes == 0


def arrays(traces):
    found = {f.name: getattr(traces, f.name) for f in fields(traces)}
    return {name: value for name, value in found.items() if isinstance(value, np.ndarray)}


def test_the_run_is_that_of_the_model(made, maps):
    firmware, _ = made
    own = (f"estimator.kind=c:{firmware}", f"controller.kind=c:{firmware}")
    ours = calibrated(f"calibration.maps={maps}", *own)
    assert isinstance(ours.parts.measurement.correction, NativePixelCorrection)
    assert isinstance(ours.parts.believed_lens, NativeLens)
    assert isinstance(ours.parts.guard, NativeGuard)
    assert not any("another calibration" in line for line in ours.warnings)
    model = in_words(f"calibration.maps={maps}")
    a, b = simulate(ours.parts).traces, simulate(model.parts).traces
    for name, found in arrays(a).items():
        np.testing.assert_array_equal(found, arrays(b)[name], err_msg=name)
    # Maps with bad pixels alone are another calibration, and said to be; the folder's are kept.
    other = calibrated(*own)
    assert any("corrects pixels by another calibration" in line for line in other.warnings)


def test_formats_show_how_long_squares_of_places_are():
    # By hand: positions at the ends of their word, and homes or neighbours as far off as any.
    built = in_words()
    words, form = built.parts.guard.words, built.parts.controller.law.formats.position
    end = 1 << (form.bits - 1)
    home = np.ldexp(built.parts.believed_lens.lens.home_px, words.fraction)
    apart = max(
        abs(int(words.home[n, k] - words.home[m, k]))
        for m, beside in enumerate(words.neighbours.tolist()) for n in beside if n >= 0
        for k in (0, 1)
    )  # fmt: skip
    unseen = Measured(None, None, None, None, None, None, 0, 0, 0)
    rows = {row.name: row for row in word_rows(built, unseen)}
    lens, guard = rows["squared place of the lens"], rows["squared distance of the guard"]
    assert lens.largest == 2 * (end + round(np.abs(home).max())) ** 2
    assert guard.largest == 2 * (2 * end + (apart << words.fraction)) ** 2
    assert lens.verdict == guard.verdict == "proven" and guard.bits == 62


def test_a_part_that_is_not_asked_for_or_lacking_is_refused(made, maps, tmp_path):
    firmware, _ = made
    own = (f"estimator.kind=c:{firmware}", f"controller.kind=c:{firmware}")
    with pytest.raises(ScenarioError, match="doubts readings, and the run has no"):
        calibrated(f"calibration.maps={maps}", *own, "spot_guard=none")
    copy = tmp_path / "copy"
    shutil.copytree(firmware, copy)
    two = (f"estimator.kind=c:{firmware}", f"controller.kind=c:{copy}")
    with pytest.raises(ScenarioError, match="doubts readings by the words of one folder"):
        calibrated(f"calibration.maps={maps}", *two)
    others = "switch.connections=[[0,0],[1,1],[12,12],[14,14]]"  # under a law that is not C
    with pytest.raises(ScenarioError, match="is made for 8 mirrors, and its calibration"):
        calibrated(f"calibration.maps={maps}", f"estimator.kind=c:{firmware}", others)
    (copy / "maps.bin").write_bytes((copy / "maps.bin").read_bytes()[:-2])
    with pytest.raises(PlugInError, match=r"maps\.bin: must hold 3916800 words"):
        calibrated(f"calibration.maps={maps}", f"estimator.kind=c:{copy}")
