"""Without compiled kernels: the plain ones run the demonstration, and say so."""

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

ROOT = Path(__file__).parents[2]
SHORT = ("duration_ms=24", "metrics.hold_from_ms=10")
CASE = "harrow_point_earthquake"
WITHOUT = """
import sys
from importlib.abc import MetaPathFinder

class Missing(MetaPathFinder):
    def find_spec(self, name, path=None, target=None):
        if name.partition(".")[0] in ("numba", "llvmlite"):
            raise ModuleNotFoundError(f"No module named {name!r}", name=name)

if sys.argv.pop(1) == "without":
    sys.meta_path.insert(0, Missing())
from sim.cli.main import cli
try:
    cli()
finally:
    print("numba" in sys.modules)
"""


def run(how: str, out: Path) -> tuple[dict, dict, str]:
    """Run a few frames of the demonstration in a process with or without numba."""
    told = subprocess.run(
        [sys.executable, "-c", WITHOUT, how, "run", CASE, "--out", str(out),
         *(part for change in SHORT for part in ("--set", change))],
        capture_output=True, text=True, cwd=ROOT,
    )  # fmt: skip
    assert told.returncode in (0, 1), told.stderr
    assert told.stdout.strip().endswith(str(how == "with")), "whether numba was imported"
    results = json.loads((out / "results.json").read_text(encoding="utf-8"))
    with np.load(out / "traces.npz") as traces:
        return results, dict(traces), told.stdout


@pytest.fixture(scope="module")
def both(tmp_path_factory: pytest.TempPathFactory) -> dict[str, tuple[dict, dict, str]]:
    folder = tmp_path_factory.mktemp("runs")
    return {how: run(how, folder / how) for how in ("with", "without")}


def test_the_run_says_which_kernels_it_used(both) -> None:
    for how, name in (("with", "compiled"), ("without", "plain")):
        results, _, screen = both[how]
        assert results["provenance"]["kernels"] == name
        assert f"{name} kernels" in screen


def test_both_kernels_give_the_same_run_within_a_flipped_pixel(both) -> None:
    """A pixel in ten thousand is one digital number off, which moves a reading by 1 urad at most.

    The drive's code then falls on the other side now and then: 5 urad (85 mrad / 2^14), and as much
    again for a mirror that overshoots. Most mirrors agree to rounding.
    """
    (_, fast, _), (_, plain, _) = both["with"], both["without"]
    assert np.array_equal(fast["status"], plain["status"])
    for name in ("measured_rad", "error_rad", "correction_rad"):
        apart = np.abs(fast[name] - plain[name])
        assert np.median(apart) < 1e-8, name
        assert apart.max() < 2e-5, (name, apart.max())
    assert np.abs(fast["error_rad"]).max() > 1e-5
