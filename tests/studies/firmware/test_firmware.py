"""The C source against the bit-true model: every value of the golden vectors, two compilers, a
sanitizer, an emulated Cortex-M4; and vectors that notice a single wrong bit."""

import json
import re
import shutil
import subprocess
import sys

import numpy as np
import pytest

from sim.firmware.c import read_vectors
from sim.firmware.emulator import emulated_counts
from sim.foundations.errors import OutputError, SimError
from sim.studies.firmware.made import FirmwareError
from sim.studies.firmware.vectors import vectors_of
from sim.studies.firmware.vectors_filing import write_vectors
from sim.studies.firmware.writing import write_firmware
from tests.firmware.made_firmware import COMPILERS, EMULATED, small

NOTCH = (
    "controller.kind=pi", "controller.proportional=0.1", "controller.integral_per_frame=0.2",
    'controller.sections=[{kind="notch",frequency_hz=[700.0,760.0],quality=3.0,fold=true}]',
    'controller.arithmetic={kind="fixed",rounding="even"}',
    'estimator.arithmetic={kind="fixed",division="shift_subtract",rounding="away"}',
    "drive.comb=single_sided",
)  # fmt: skip
SPOTS = {
    "quad_cell": ("estimator.gap_px=2", "estimator.max_ratio=0.9"),
    "log_peak": (),
    "matched_filter": (),
    "weighted_centroid": ("estimator.weight_sigma_px=2.0",),
    "gaussian_fit": (),
}
RULES = ("estimator.min_flux_dn=1500", "estimator.edge_px=4.5")
OTHERWISE = (
    'estimator.arithmetic={kind="fixed",division="reciprocal",newton_steps=1,rounding="even"}',
    "camera.window_px=[20,26]",
)
pytestmark = pytest.mark.skipif(shutil.which("make") is None, reason="no make")


def written(folder, *overrides):
    built = small(*overrides)
    firmware = write_firmware(built, folder / "firmware")
    vectors = write_vectors(vectors_of(built, 20, 2), built, folder / "vectors")
    return firmware, vectors


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    return written(tmp_path_factory.mktemp("made"))


def build(firmware, target, compiler="cc", level="-O1"):
    done = subprocess.run(
        ["make", "-s", "-B", f"CC={compiler}", f"CFLAGS={level}", f"build/{target}"],
        cwd=firmware, capture_output=True, text=True,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return firmware / "build" / target


def replay(program, vectors):
    return subprocess.run([program, vectors], capture_output=True, text=True)


@pytest.mark.parametrize("compiler", COMPILERS)
@pytest.mark.parametrize("target", ["replay", "sanitized"])
def test_every_value_is_that_of_the_model(made, compiler, target):
    # -std=c99 -pedantic -Wall -Wextra -Werror are in the Makefile; "sanitized" stops at the first
    # bad address or undefined operation.
    firmware, vectors = made
    done = replay(build(firmware, target, compiler), vectors)
    assert done.returncode == 0, done.stdout + done.stderr
    assert done.stdout.endswith("\n0 values differ\n")
    groups = re.findall(r"^(\w+) +(\d+) rows +(\d+) values", done.stdout, re.MULTILINE)
    assert [name for name, _, _ in groups] == ["loop", "spots", "quotients", "law", "drive"]
    assert all(int(values) >= int(rows) > 0 for _, rows, values in groups)


@pytest.mark.skipif(shutil.which("cmake") is None, reason="no cmake")
def test_cmake_builds_it_and_its_test_passes(made, tmp_path):
    firmware, vectors = made
    for command in (
        ["cmake", "-S", firmware, "-B", tmp_path, f"-DVECTORS={vectors}"],
        ["cmake", "--build", tmp_path],
        ["ctest", "--test-dir", tmp_path, "--output-on-failure"],
    ):
        done = subprocess.run(command, capture_output=True, text=True)
        assert done.returncode == 0, done.stdout + done.stderr
    assert "100% tests passed, 0 tests failed out of 1" in done.stdout


def test_sections_other_roundings_division_by_shifts_and_codes_that_are_squares(tmp_path):
    firmware, vectors = written(tmp_path, *NOTCH)
    done = replay(build(firmware, "sanitized"), vectors)
    assert done.returncode == 0, done.stdout + done.stderr


@pytest.mark.parametrize("kind", SPOTS)
def test_every_estimator_with_a_form_in_whole_numbers(tmp_path, kind):
    # A window that is not square, division by reciprocals, ties to even: nothing is as in `made`.
    asked = (f"estimator.kind={kind}", *SPOTS[kind], *RULES, *OTHERWISE)
    firmware, vectors = written(tmp_path, *asked)
    done = replay(build(firmware, "sanitized"), vectors)
    assert done.returncode == 0, done.stdout + done.stderr
    settings = firmware / "src" / "settings.h"
    text = settings.read_text()
    assert "SPOT_ROUNDING ROUNDING_EVEN" in text
    settings.write_text(text.replace("SPOT_ROUNDING ROUNDING_EVEN", "SPOT_ROUNDING ROUNDING_AWAY"))
    wrong = replay(build(firmware, "replay", level="-O0"), vectors)
    assert wrong.returncode == 1 and "quotients/quotient: value" in wrong.stdout
    status = read_vectors.read(vectors)["spots/status"]
    rows = {line["what"]: line["rows"] for line in read_vectors.index(vectors)["coverage"]}
    corners = [f"{sign}: {side}" for sign in ("positive", "negative")
               for side in ("below", "on a tie", "above")]  # fmt: skip
    assert all(rows[f"quotient, {corner}"] > 0 for corner in corners)
    # The quad cell's curve ends before the window does: FAILED in place of EDGE.
    assert {0, 1, 3 if kind == "quad_cell" else 2} <= set(status.tolist())


@pytest.mark.parametrize(
    ("file", "old", "new"),
    [
        # Ties alone tell these from each other.
        ("settings.h", "#define LAW_ROUNDING ROUNDING_UP", "#define LAW_ROUNDING ROUNDING_AWAY"),
        ("settings.h", "#define LAW_ROUNDING ROUNDING_UP", "#define LAW_ROUNDING ROUNDING_EVEN"),
        ("settings.h", "#define SPOT_ROUNDING ROUNDING_UP", "#define SPOT_ROUNDING ROUNDING_AWAY"),
        ("settings.h", "#define SPOT_ROUNDING ROUNDING_UP", "#define SPOT_ROUNDING ROUNDING_EVEN"),
        # Limits off by one.
        ("settings.h", "#define SPOT_LEAST_LIGHT 1500", "#define SPOT_LEAST_LIGHT 1501"),
        ("settings.h", "#define SPOT_THRESHOLD (60)", "#define SPOT_THRESHOLD (61)"),
        ("spot.c", "value > limit", "value >= limit"),
        ("whole.h", "value > highest", "value >= highest"),
        ("law.c", "axis->known = input->seen != 0", "axis->known = 1"),
        ("drive.c", "LAW_ROUNDING", "ROUNDING_AWAY"),
        ("drive.c", "DRIVE_LOWEST, DRIVE_HIGHEST", "DRIVE_LOWEST, DRIVE_HIGHEST - 1"),
        ("law.c", "presses ? before : after", "presses > 1 ? before : after"),
        ("law.c", "whole_cut(standing[part],", "whole_cut(standing[part] / 2,"),
    ],
)
def test_a_single_fault_is_noticed(made, tmp_path, file, old, new):
    original, vectors = made
    firmware = tmp_path / "firmware"
    shutil.copytree(original, firmware, ignore=shutil.ignore_patterns("build"))
    path = firmware / "src" / file
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new))
    done = replay(build(firmware, "replay", level="-O0"), vectors)
    assert done.returncode == 1, done.stdout


@EMULATED
def test_the_same_words_on_an_emulated_processor(made):
    firmware, vectors = made
    found = emulated_counts(firmware, vectors)  # a value that differs would be an error
    pixels, law, frame = (found.stage(name) for name in ("pixels", "law", "frame"))
    rows = sum(len(read_vectors.read(vectors)[f"{g}/status"]) for g in ("loop", "spots"))
    assert pixels.times == law.times == frame.times == rows
    # A load, a subtraction, a comparison, two sums and a loop a pixel: 5 to 25 instructions.
    assert 5 * 576 < pixels.mean < 25 * 576
    assert frame.most <= sum(found.stage(s).most for s in ("pixels", "reading", "law", "drive"))
    # README states sizes by counting words; the compiler's are the same.
    page = (firmware / "README.md").read_text()
    assert f"(`struct law_state`) | {found.state_bytes} |" in page
    assert found.spot_bytes == 5 * 4  # three sums and two counters
    assert found.static_bytes == 0


def test_no_heap_no_floating_point(made):
    firmware, _ = made
    text = "".join(path.read_text() for path in (firmware / "src").glob("*.[ch]"))
    code = re.sub(r"/\*.*?\*/", "", text, flags=re.DOTALL)
    assert not re.findall(r"\b(float|double|malloc|calloc|free|alloca|memcpy)\b", code)
    assert set(re.findall(r"#include <(.*?)>", code)) == {"stdint.h"}
    assert not re.search(r"\d\.\d", code)


def test_readers_agree_and_notice_a_changed_file(made, tmp_path):
    # The C reader is what `replay` reads with.
    _, vectors = made
    arrays = read_vectors.read(vectors)
    index = json.loads((vectors / "index.json").read_text())
    assert {entry["name"] for entry in index["arrays"]} == set(arrays)
    listed = subprocess.run(
        [sys.executable, vectors / "read_vectors.py", vectors], capture_output=True, text=True
    )
    assert listed.returncode == 0 and "loop/pixels" in listed.stdout
    first = np.frombuffer((vectors / "loop/origin.bin").read_bytes()[:8], "<i4")
    np.testing.assert_array_equal(arrays["loop/origin"][0], first)
    copy = tmp_path / "copy"
    shutil.copytree(vectors, copy)
    data = bytearray((copy / "law/states.bin").read_bytes())
    data[0] ^= 1
    (copy / "law/states.bin").write_bytes(data)
    with pytest.raises(ValueError, match=r"law/states\.bin: has changed"):
        read_vectors.read(copy)


def test_what_is_covered_is_counted(made):
    _, vectors = made
    index = json.loads((vectors / "index.json").read_text())
    rows = {line["what"]: line["rows"] for line in index["coverage"]}
    arrays = read_vectors.read(vectors)
    assert rows["spots: status DIM"] == (arrays["spots/status"] == 1).sum() > 0
    assert rows["spots: status EDGE"] == (arrays["spots/status"] == 2).sum() > 0
    assert rows["law: spot lost"] == (arrays["law/seen"] == 0).sum() > 0
    # A window that ends early reads nothing, though its spot is there: by hand, three rows behind
    # the middle more light has come in than is needed.
    early = arrays["spots/rows"] < 24
    assert rows["spots: rows missing"] == early.sum() == 5
    assert set(arrays["spots/status"][early].tolist()) == {1, 3}
    assert not arrays["spots/spot"][early].any()
    for i in np.flatnonzero(early):
        came = arrays["spots/pixels"][i, : arrays["spots/rows"][i]].astype(int)
        assert arrays["spots/light"][i] == np.maximum(came - 60, 0).sum()
    limit = (arrays["law/correction"] == arrays["law/highest"]) | (
        arrays["law/correction"] == arrays["law/lowest"]
    )
    assert rows["law: correction at a limit"] == limit.any(axis=1).sum() > 0
    for name in ("ghost", "hot pixel", "saturated", "spot"):
        assert rows[f"spots: {name}"] > 0
    for side in ("below", "on a tie", "above"):
        assert rows[f"position, x: {side}"] > 0 and rows[f"position, y: {side}"] > 0
        assert rows[f"seen: row 0, x: {side}"] > 0


def test_vectors_of_other_settings_are_refused(made, tmp_path):
    firmware, _ = made
    built = small("controller.integral_per_frame=0.2")
    other = write_vectors(vectors_of(built, 2, 1), built, tmp_path / "other")
    done = replay(build(firmware, "replay"), other)
    assert done.returncode == 2 and "other settings" in done.stderr


@pytest.fixture(scope="module")
def sanitized(made):
    return build(made[0], "sanitized")


@pytest.mark.parametrize("group", ["loop", "law", "drive"])
def test_a_mirror_that_the_firmware_does_not_have_is_refused(made, sanitized, tmp_path, group):
    _, vectors = made
    other = tmp_path / "vectors"
    shutil.copytree(vectors, other)
    path = other / group / "mirror.bin"
    path.write_bytes(b"\xff" * path.stat().st_size)
    done = replay(sanitized, other)
    assert done.returncode == 2 and "the vectors are not whole" in done.stderr


@pytest.mark.parametrize("kind", ["int128", "uint24", "int"])
def test_elements_of_odd_sizes_are_refused(made, sanitized, tmp_path, kind):
    _, vectors = made
    other = tmp_path / "vectors"
    shutil.copytree(vectors, other)
    text = (other / "index.json").read_text()
    name = '"name": "loop/pixels", "file": "loop/pixels.bin", "type": "uint16"'
    assert name in text
    (other / "index.json").write_text(text.replace(name, name.replace("uint16", kind)))
    done = replay(sanitized, other)
    assert done.returncode == 2 and f"is of type {kind}" in done.stderr


def test_what_cannot_be_expressed_is_refused_and_nothing_written(tmp_path):
    place = tmp_path / "firmware"
    with pytest.raises(FirmwareError, match=r'estimator\.arithmetic: .* "weighted_centroid" has'):
        write_firmware(
            small(
                "estimator.kind=weighted_centroid", "estimator.weight_sigma_px=2.0",
                "estimator.min_flux_dn=1500", "estimator.edge_px=4.5",
            ),
            place,
        )  # fmt: skip
    with pytest.raises(FirmwareError, match=r"camera\.search_after_frames"):
        write_firmware(small("camera.search_after_frames=5"), place)
    with pytest.raises(FirmwareError, match=r"--frames: must be 1 to 160"):
        vectors_of(small(), 161)
    with pytest.raises(FirmwareError, match=r"--mirrors: must be 1 to 8"):
        vectors_of(small(), 1, 9)
    assert not place.exists()
    write_firmware(small(), place)
    with pytest.raises(OutputError, match="already exists"):
        write_firmware(small(), place)
    assert issubclass(FirmwareError, SimError)
