"""The camera's map from the mirrors' own staircase, end to end, against the simulated truth."""

from pathlib import Path

import numpy as np
import pytest

from sim.assembly.build import build
from sim.scenario.model import load_scenario
from sim.studies.calibrate.study import SimulatedCalibration, calibrate

CASE = Path(__file__).parents[3] / "scenarios" / "harrow_point.toml"
CORNERS = "[[0, 0], [11, 11], [84, 84], [95, 95], [41, 41], [54, 54], [6, 30], [88, 7]]"
SETS = (
    f"switch.connections={CORNERS}", "switch.moves=[]", "disturbances=[]", "duration_ms=250",
    "metrics.hold_from_ms=100", "camera.pitch_px=48", "lens.rotation_mrad=4.0",
    "lens.distortion_pct=-1.0", "calibration.camera_by=staircase", "calibration.dark_frames=4",
    "calibration.flat_frames=4", "calibration.levels=6", "calibration.steps=3",
    "calibration.step_frames=8",
)  # fmt: skip


@pytest.fixture(scope="module")
def found() -> SimulatedCalibration:
    return calibrate(load_scenario(CASE, SETS))


def of(found: SimulatedCalibration, quantity: str):
    return next(each for each in found.estimates if each.quantity == quantity)


@pytest.mark.parametrize("sensor", "AB")
def test_rotation_and_distortion_hold_the_truth(found: SimulatedCalibration, sensor: str) -> None:
    """4 mrad and -1 % were put in; four half widths are 7.8 deviations. Intervals must also be
    narrow enough to mean something: a tenth of what was put in."""
    for name, truth in (("rotation", 4.0), ("distortion", -1.0)):
        each = of(found, f"{name}, {sensor}")
        assert each.truth == truth and "staircase" in each.procedure
        half = 0.5 * (each.high - each.low)
        assert abs(each.value - truth) < 4 * half < 0.4 * abs(truth), each


@pytest.mark.parametrize("sensor", [0, 1])
def test_the_scale_takes_the_mean_gain_of_the_drives(
    found: SimulatedCalibration, sensor: int
) -> None:
    """A camera cannot tell the two apart: what it finds is 0.5 px/mrad times the mean of the drawn
    gains, to which this test turns by itself. Mirrors spread by 3 %, so that the truth alone is
    missed by far more than that; the interval holds it all the same."""
    parts = build(load_scenario(CASE, SETS)).parts
    of_sensor = parts.measurement.layout.sensor(parts.mirrors) == sensor
    gain = parts.population.gain_ratio[of_sensor].mean()
    each = of(found, f"scale, {'AB'[sensor]}")
    assert each.value == pytest.approx(0.5 * gain, rel=1e-3)
    half = 0.5 * (each.high - each.low)
    assert abs(each.value - 0.5) < 2 * half
    assert half > 0.5 * 0.005  # it knows that it does not know


def test_the_table_of_gains_makes_up_for_the_scale(found: SimulatedCalibration) -> None:
    """Scale times gain is what the camera saw: their product is right to the noise of readings."""
    parts = build(load_scenario(CASE, SETS)).parts
    sensor = parts.measurement.layout.sensor(parts.mirrors)
    scales = np.array([each.scale_px_per_mrad for each in found.maps])[sensor]
    product = scales[:, None] * found.table.gain
    np.testing.assert_allclose(product, 0.5 * parts.population.gain_ratio, rtol=2e-3)


def test_the_page_and_the_times_say_so(found: SimulatedCalibration) -> None:
    """Two staircases for the map and one for the drives: three times as long as one."""
    times = {each.procedure: each.seconds for each in found.times}
    assert times["camera map"] == pytest.approx(2 * times["actuator staircase"])
    assert any("nominal drive alone" in note for note in found.notes)
