"""The loop against the same loop scripted by hand on general libraries, mirror by mirror."""

from pathlib import Path

import numpy as np

from sim.assembly.build import build
from sim.loop.simulate import simulate
from sim.scenario.model import load_scenario
from tests.benchmarks.by_hand import by_python_control, by_solve_ivp, run_script

QUAKE = Path(__file__).parents[1] / "scenarios" / "harrow_point_earthquake.toml"


def test_errors_are_those_of_the_scripts() -> None:
    """`solve_ivp` and python-control at rtol 1e-6, erf pixels, Poisson noise, `cv2.moments`.

    Steps of the DAC are 10.4 urad, and noise of the readings may shift a correction by one of them;
    a mirror of Q = 8 answers a step with twice that at most, and corrections of three frames add.
    Within the first frame, before any correction, only amplifier noise tells the two apart
    (0.7 urad rms, five times that at most).
    """
    parts = build(
        load_scenario(
            QUAKE,
            ["duration_ms=6", "metrics.hold_from_ms=2", "metrics.dwell_ms=1",
             "traces.sample_hz=1000", "switch.geometry.ports_per_side=8",
             "switch.geometry.columns=4"],
        )
    ).parts  # fmt: skip
    error = simulate(parts).traces.error_rad
    for solve in (by_solve_ivp, by_python_control):
        script = run_script(parts, 4, solve)
        assert np.abs(script[0] - error[0]).max() < 5e-6
        assert np.abs(script[1:] - error[1:4]).max() < 3 * 2 * 10.4e-6
        assert np.abs(script).max() > 2e-4
