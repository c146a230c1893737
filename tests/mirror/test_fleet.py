"""The constants that kernels get, by hand from the settings and the drawn mirrors."""

import math

import numpy as np
import pytest

from sim.mirror.drive import DriveParams
from sim.mirror.population import MirrorParams, draw_population
from sim.mirror.propagator import make_drive, make_fleet
from tests.rig import DRIVE, MIRROR

SPREAD = {
    "resonance_spread_pct": 5.0, "quality_spread_pct": 4.0, "gain_spread_pct": 3.0,
    "imbalance_spread_rad_s2_per_m_s2": 2.0, "alignment_urad": 5.0, "cross_axis": (0.01, -0.02),
    "cubic_per_rad2": (3.0, -4.0),
}  # fmt: skip


@pytest.mark.parametrize("comb", ["push_pull", "single_sided"])
def test_drive(comb):
    given = {"comb": comb, "bits": 12, "noise_uv_per_rthz": 2.0, "slew_v_per_us": 3.0}
    params = DriveParams(**(DRIVE | given))
    drive = make_drive(params, 5)
    lag_s = 1.0 / (2 * math.pi * 4000.0)
    assert drive.square == (comb == "single_sided") and drive.substeps == 5
    assert (drive.step_s, drive.lag_s) == (pytest.approx(1e-5), pytest.approx(lag_s))
    assert drive.decay == pytest.approx(math.exp(-1e-5 / lag_s))
    swing_v = 90.0 if comb == "push_pull" else 180.0
    assert (drive.codes, drive.lsb_v) == (2048.0, pytest.approx(swing_v / 2048))
    assert drive.slew_v == pytest.approx(3e6 * lag_s)
    assert params.gain == pytest.approx(0.085 / (90.0 if comb == "push_pull" else 180.0**2))
    # White noise of density n^2 through a first-order lag of corner f: n^2 f pi / 2 (equivalent
    # noise bandwidth, e.g. Horowitz and Hill, The Art of Electronics). From tick to tick it is an
    # AR(1) process, whose innovation has the share 1 - exp(-2 T / lag) of the variance.
    variance = 2e-6**2 * 4000.0 * math.pi / 2
    assert drive.noise_v**2 == pytest.approx(variance * (1 - math.exp(-2 * 5e-5 / lag_s)))


def test_fleet():
    params = MirrorParams(**(MIRROR | SPREAD))
    drive = make_drive(DriveParams(**DRIVE), 2)
    drawn = draw_population(params, np.arange(6), 3, 0.5)
    fleet = make_fleet(params, drawn, 2e-4, drive)
    for m in range(6):
        for axis in (0, 1):
            gain = 2e-4 * drawn.gain_ratio[m, axis]
            assert fleet.true_gain[axis, m] == pytest.approx(gain, rel=1e-14)
            believed = gain * drawn.calibration_ratio[m, axis]
            assert fleet.believed_gain[axis, m] == pytest.approx(believed, rel=1e-14)
            assert fleet.stiffness[axis, m] == pytest.approx(drawn.resonance_rad_s[m, axis] ** 2)
            assert fleet.cross[axis, m] == (0.01, -0.02)[axis]
            for k in range(3):
                assert fleet.imbalance[axis, k, m] == drawn.imbalance[m, axis, k]
    assert fleet.cubic.tolist() == [3.0, -4.0]
    assert fleet.travel_rad == pytest.approx([0.075, 0.075])
    assert len({*drawn.gain_ratio.ravel(), *drawn.calibration_ratio.ravel()}) == 24
