"""The sweep of the tests: one mirror each side steps for 40 ms, seen in noise."""

import os
import sys
from pathlib import Path

ROOT = Path(__file__).parents[3]
NAME = "single_mirror_step"
QUICK = (
    "duration_ms=200",
    "switch.moves.0.at_ms=5",
    "metrics.hold_from_ms=20",
    "limits.rms_urad=30.0",
)
VARY = ("camera.signal_e=2000,20000", "estimator.threshold_dn=50..60/2")
SEEDS = 4
RUNS = 16


def command(out: Path, *more: str) -> list[str]:
    """Return the command line of that sweep."""
    words = [sys.executable, "-c", "from sim.cli.main import cli; cli()", "sweep", NAME]
    for value in QUICK:
        words += ["--set", value]
    for value in VARY:
        words += ["--vary", value]
    return [*words, "--seeds", str(SEEDS), "--out", str(out), *more]


def environment() -> dict[str, str]:
    """Return the environment of a command that finds this checkout."""
    return {**os.environ, "PYTHONPATH": str(ROOT)}
