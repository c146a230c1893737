"""What part of the noise the loop passes on: closed form, edges, and where it is from."""

from pathlib import Path

import pytest

from sim.assembly.build import build
from sim.scenario.model import load_scenario
from sim.studies.estimators.noise import USUAL, noise_passed

ROOT = Path(__file__).parents[3]
HARROW = ROOT / "scenarios" / "harrow_point_reconfigure.toml"
TWO = ("switch.connections=[[0,1],[1,0]]", "switch.moves=[]", "limits={}", "duration_ms=120",
       "metrics.hold_from_ms=60")  # fmt: skip


def passed(*overrides: str):
    return noise_passed(build(load_scenario(HARROW, (*TWO, *overrides))))


def test_a_slow_integrator_passes_what_its_closed_form_says():
    # x' = (1 - g) x + g n has variance g / (2 - g) of the noise's (first-order recursion); delay
    # and resonance add terms of higher order in g: at g = 0.02, a few per cent.
    found = passed("controller.kind=integrator", "controller.integral_per_frame=0.02")
    assert found.share == pytest.approx(0.02 / 1.98, rel=0.05)
    assert found.source == "of controller integrator, mean over 8 loops"


def test_edges():
    assert passed("controller.kind=open_loop").share == pytest.approx(0.0, abs=1e-12)
    wild = passed("controller.kind=integrator", "controller.integral_per_frame=1.0",
                  "camera.latency_us=2700")  # fmt: skip
    assert wild.share == 1.0 and "unstable" in wild.source
    stated = passed("estimator_comparison.noise_passed=0.3")
    assert stated == (0.3, "stated in the scenario")
    assert 0 < USUAL < 1
