"""The loop with dropped frames as a difference equation, against closed forms."""

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from sim.assembly.build import build
from sim.foundations.errors import ScenarioError
from sim.scenario.model import load_scenario
from sim.studies.deadline.difference import error_course, judged_frames
from sim.studies.deadline.page import jitter_sections
from sim.studies.deadline.study import DropRow, JitterRow, Residual, apart_pct, residual_of

CASE = Path(__file__).parents[3] / "scenarios" / "harrow_point.toml"
FAST = (
    # A mirror and a drive that follow within a tick or two, and readings of an instant.
    "duration_ms=1000", "traces.sample_hz=1000", "metrics.hold_from_ms=100",
    "mirror.resonance_hz=[9000.0, 9000.0]", "mirror.quality=[0.7, 0.7]",
    "mirror.cubic_per_rad2=[0.0, 0.0]", "mirror.resonance_spread_pct=0.0",
    "mirror.quality_spread_pct=0.0", "mirror.alignment_urad=0.0",
    "drive.amplifier_khz=1000.0", "drive.bits=24", "drive.noise_uv_per_rthz=0.0",
    "drive.calibration_error_pct=0.0", "camera.exposure_us=50", "camera.latency_us=850",
    "bracket=none",
)  # fmt: skip
NOISE_URAD = 30.0


@pytest.mark.parametrize(("gain", "share"), [(0.3, 0.0), (0.3, 0.1), (0.5, 0.1)])
def test_variance_of_an_integrator_with_drops(gain: float, share: float) -> None:
    """The error before a reading, r = 1 and q = 0.1 a frame: P = K r / (2 - K) + q / ((1 - p) K
    (2 - K)). From e' = e - K (e + v) + w with chance 1 - p, else e' = e + w: P (1 - p) K (2 - K) =
    (1 - p) K^2 r + q. The correction acts at tick 18 of 20, before the next reading. A walk that
    goes on in the frame adds (j / 20)^2 q until then, and takes (0.1 - 0.0025) q at tick 19:
    0.25875 q on the mean. 384 axes over 900 frames, independent about every 1/K: a standard error
    of the variance of 0.7 %; 2.5 %. Taking the stale reading again would give 0.4286 in place of
    0.3943 at 10 %."""
    variance = gain / (2 - gain) + 0.1 / ((1 - share) * gain * (2 - gain))
    walk = 0.1 * NOISE_URAD**2
    sigma = np.sqrt(walk * 50.0 / (2 * 1e-3))
    drift = f'disturbances=[{{kind="drift", sigma_urad={sigma}, correlation_s=50.0, start="zero"}}]'
    scenario = load_scenario(
        CASE, [*FAST, drift, f"controller.integral_per_frame={gain}"]
    )
    found = error_course(build(scenario), np.full(2, 1e-6 * NOISE_URAD), share, 5)
    each_axis = 0.5 * (1e6 * found.rms_rad / NOISE_URAD) ** 2
    assert each_axis == pytest.approx(variance + 0.25875 * 0.1, rel=0.025)
    assert found.dropped == pytest.approx(share, abs=4 * np.sqrt(share / 1800 + 1e-9))


def test_interval_of_runs() -> None:
    """Student's t of 3 degrees of freedom, 3.1824 (tables): half width 3.1824 * 1 / sqrt(4)."""
    found = residual_of(np.array([9.0, 11.0, 10.0, 10.0]))
    assert found.mean_urad == 10.0
    assert found.half_urad == pytest.approx(3.1824 * np.sqrt(2 / 3) / 2, abs=1e-4)


def test_a_run_that_ends_with_the_loops_own_start_is_refused() -> None:
    case = ["duration_ms=55", "metrics.hold_from_ms=10"]
    assert judged_frames(build(load_scenario(CASE, case))) == (50, 55)
    case[0] = "duration_ms=50"
    with pytest.raises(ScenarioError, match=r"after the first 50 frames, 50 ms, .* \(got 50 ms\)"):
        judged_frames(build(load_scenario(CASE, case)))


def test_without_any_error_nothing_can_be_compared() -> None:
    row = DropRow(0.0, Residual(0.0, 0.0), Residual(0.0, 0.0), None, 0.0)
    assert row.apart_pct is None and row.agrees
    assert row._replace(equation=Residual(10.0, 0.0)).apart_pct == -100.0
    jitter = JitterRow(100.0, Residual(0.3, 0.0), apart_pct(Residual(0.3, 0.0), row.dropped))
    assert jitter.apart_pct is None
    found: Any = SimpleNamespace(rows=(row,), jitter=(jitter,))
    (section,) = jitter_sections(found)
    (table,) = section.tables
    assert [line[-1] for line in table.rows] == ["–", "none"]
