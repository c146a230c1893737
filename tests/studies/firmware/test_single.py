"""Firmware in single precision: compiled, and held against the model in double precision."""

import re
import shutil
import subprocess

import pytest
from click.testing import CliRunner

from sim.assembly.build import build
from sim.cli.main import cli
from sim.firmware.c import read_vectors
from sim.foundations.errors import SimError
from sim.scenario.gallery import find
from sim.scenario.model import load_scenario
from sim.studies.firmware.made import FirmwareError
from sim.studies.firmware.single_precision import single_vectors, write_single_firmware
from sim.studies.firmware.vectors_filing import write_vectors
from tests.firmware.made_firmware import COMPILERS, EMULATED, FEW

RULES = ("estimator.min_flux_dn=1500", "estimator.edge_px=4.5", "camera.window_px=[20,26]")
SPOTS = {
    "quad_cell": ("estimator.gap_px=2", "estimator.max_ratio=0.9"),
    "log_peak": (),
    "matched_filter": (),
    "weighted_centroid": ("estimator.weight_sigma_px=2.0",),
    "gaussian_fit": (),
    "poisson_fit": (),
}
LAWS = {
    "smith": ('controller={kind="smith",response_ms=3}',),
    "lqg": ('controller={kind="lqg",control_weight=1,drift_urad_per_sqrt_s=300,noise_urad=30}',),
    "notch": (
        'controller={kind="pi",proportional=0.1,integral_per_frame=0.2,sections=[{kind="notch",'
        "frequency_hz=[700.0,760.0],quality=3.0,fold=true}]}",
        "drive.comb=single_sided",
    ),
}
pytestmark = pytest.mark.skipif(shutil.which("make") is None, reason="no make")


def plain(*overrides):
    return build(load_scenario(find("harrow_point_reconfigure"), (*FEW, *overrides)))


def written(folder, *overrides, left_out=None):
    """Write firmware and vectors; counts of windows that were left out are added to a list."""
    built = plain(*overrides)
    firmware = write_single_firmware(built, folder / "firmware")
    made = single_vectors(built, 10, 2)
    if left_out is not None:
        left_out += [line.rows for line in made.coverage if line.what == "spots: left out"]
    return firmware, write_vectors(made, built, folder / "vectors")


def replayed(firmware, vectors, target="sanitized", compiler="cc"):
    """Build and replay; return the largest difference of each group, and all that was said."""
    made = subprocess.run(
        ["make", "-s", "-B", f"CC={compiler}", "CFLAGS=-O1", f"build/{target}"],
        cwd=firmware, capture_output=True, text=True,
    )  # fmt: skip
    assert made.returncode == 0, made.stderr
    done = subprocess.run(
        [firmware / "build" / target, vectors], capture_output=True, text=True
    )
    found = re.findall(r"^(\w+) +\d+ rows .*difference (\S+) ", done.stdout, re.MULTILINE)
    print(done.stdout)
    return done, {name: float(most) for name, most in found}


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    return written(tmp_path_factory.mktemp("single"))


@pytest.mark.parametrize("compiler", COMPILERS)
def test_sums_of_whole_numbers_are_exact_but_for_the_division(made, compiler):
    done, most = replayed(*made, compiler=compiler)
    assert done.returncode == 0, done.stdout + done.stderr
    # Sums below 2^24 are exact in single precision; what is left are two roundings of a position
    # of up to 12 px, 2^-21 each at most, and that of the vectors.
    assert most["spots"] < 2.5 * 2.0**-21
    assert most["drive"] <= 1


@pytest.mark.parametrize("kind", SPOTS)
def test_every_estimator_comes_near_the_model(tmp_path, kind):
    left_out = []
    firmware, vectors = written(
        tmp_path, f"estimator.kind={kind}", *SPOTS[kind], *RULES, left_out=left_out
    )
    done, most = replayed(firmware, vectors)
    assert done.returncode == 0, done.stdout + done.stderr
    assert 0 < most["spots"] < 2.0**-12
    arrays = read_vectors.read(vectors)
    assert {0, 1, 3 if kind == "quad_cell" else 2} <= set(arrays["spots/status"].tolist())
    kept = len(arrays["spots/status"])
    assert kept > 200
    # What hangs on the sixth digit is the exception: one window in a hundred at most.
    assert sum(left_out) <= 0.01 * (sum(left_out) + kept)


@pytest.mark.parametrize("kind", LAWS)
def test_laws_with_models_observers_and_sections_come_near_too(tmp_path, kind):
    done, most = replayed(*written(tmp_path, *LAWS[kind]))
    assert done.returncode == 0, done.stdout + done.stderr
    assert 0 < most["law"] < 2.0**-14


@pytest.mark.parametrize(
    ("file", "old", "new"),
    [
        ("law.c", "change > 0.0f", "change > 1e9f"),
        ("law.c", "axis->known = input->seen != 0", "axis->known = 1"),
        ("settings.h", "#define SPOT_THRESHOLD (60)", "#define SPOT_THRESHOLD (61)"),
        ("drive.c", "floorf(exact + 0.5f)", "floorf(exact - 1.0f)"),
    ],
)
def test_a_fault_is_noticed(tmp_path, file, old, new):
    # A derivative has a last mismatch that a lost frame takes away.
    law = ('controller={kind="pid",proportional=0.1,integral_per_frame=0.2,'
           "derivative_frames=0.5,derivative_filter_frames=1.0}")  # fmt: skip
    firmware, vectors = written(tmp_path, law)
    text = (firmware / "src" / file).read_text()
    assert old in text
    (firmware / "src" / file).write_text(text.replace(old, new))
    done, _ = replayed(firmware, vectors, "replay")
    assert done.returncode == 1, done.stdout


@EMULATED
def test_it_runs_on_an_emulated_processor(made):
    firmware, vectors = made
    done = subprocess.run(
        ["make", "-s", "emulated", f"VECTORS={vectors}"], cwd=firmware, capture_output=True,
        text=True, timeout=300,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    assert "0 values beyond their bound" in done.stdout


NO_NUMBER = """
#include <math.h>
#include <stdio.h>
#include "drive.h"
#include "settings.h"
int main(void)
{
    const float path[2] = {NAN, 1e30f}, correction[2] = {0.0f, 0.0f};
    int32_t codes[2];
    drive_codes(0, path, correction, codes);
    printf("%d %d %d\\n", (int)codes[0], (int)codes[1], (int)DRIVE_HIGHEST);
    return 0;
}
"""


def test_what_is_no_number_asks_for_no_tilt(made, tmp_path):
    firmware, _ = made
    (tmp_path / "main.c").write_text(NO_NUMBER, encoding="utf-8")
    source = firmware / "src"
    command = ["cc", f"-I{source}", "main.c", str(source / "drive.c"), "-lm", "-o", "main"]
    subprocess.run(command, cwd=tmp_path, check=True)
    said = subprocess.run([tmp_path / "main"], capture_output=True, text=True, check=True)
    none, most, highest = map(int, said.stdout.split())
    assert none == 0 and most == highest


def test_no_double_precision_and_no_heap(made):
    firmware, _ = made
    text = "".join(path.read_text() for path in (firmware / "src").glob("*.[ch]"))
    code = re.sub(r"/\*.*?\*/", "", text, flags=re.DOTALL)
    assert not re.findall(r"\b(double|malloc|calloc|free|alloca)\b", code)
    assert set(re.findall(r"#include <(.*?)>", code)) == {"stdint.h", "math.h"}
    constants = re.findall(r"(?<![\w.])\d+\.\d*(?:e[+-]?\d+)?f?", code)
    bounds = {line.split()[-1] for line in code.splitlines() if "_BOUND" in line}
    assert constants and all(c.endswith("f") for c in constants if c not in bounds)


def test_the_commands_write_both_and_a_run_refuses_the_folder(tmp_path):
    asked = [w for o in FEW for w in ("--set", o)] + ["--arithmetic", "single", "--out"]
    for words in (("firmware",), ("vectors", "--frames", "2", "--mirrors", "1")):
        place = tmp_path / words[0]
        done = CliRunner().invoke(
            cli, [words[0], "harrow_point_reconfigure", *words[1:], *asked, str(place)]
        )
        assert done.exit_code == 0, done.output
    assert (tmp_path / "firmware" / "src" / "law.c").is_file()
    assert read_vectors.read(tmp_path / "vectors")["law/correction"].dtype == "<i8"
    with pytest.raises(SimError, match="not with --arithmetic single"):
        plain(f"controller.kind=c:{tmp_path / 'firmware'}")


def test_what_has_no_c_is_refused(tmp_path):
    components = (
        "estimator.kind=components", "estimator.peak_fraction=0.2", "estimator.hot_step_dn=300",
        "estimator.min_area_px=4", "estimator.min_flux_dn=1500", "estimator.edge_px=4.5",
        "estimator.threshold_dn=60",
    )  # fmt: skip
    for overrides, match in (
        (components, 'no C in single precision for "components"'),
        (("camera.search_after_frames=5",), r"camera\.search_after_frames"),
    ):
        with pytest.raises(FirmwareError, match=match):
            write_single_firmware(plain(*overrides), tmp_path / "firmware")
    assert not (tmp_path / "firmware").exists()
    with pytest.raises(FirmwareError, match=r"--frames: must be 1 to 160"):
        single_vectors(plain(), 161)
