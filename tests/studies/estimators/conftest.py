"""The demo camera, and one small comparison that several tests look at."""

import pytest

from sim.camera.settings import CameraParams
from sim.kernels import compiled
from sim.studies.estimators.cases import nominal
from sim.studies.estimators.rows import comparison_rows
from sim.studies.estimators.settings import entrants

OWN = {
    "kind": "thresholded_centroid", "threshold_dn": 60, "min_flux_dn": 1500.0, "edge_px": 4.5,
}  # fmt: skip


@pytest.fixture(scope="session")
def demo():
    """Return the demo camera."""
    return CameraParams(
        frame_hz=1000, exposure_us=300, latency_us=700, window_px=(24, 24), scale_px_per_mrad=0.5,
        spot_sigma_px=1.8, signal_e=20000, background_e=20, read_noise_e=6, full_well_e=1900,
        gain_dn_per_e=0.5, black_dn=32, bits=10,
    )  # fmt: skip


@pytest.fixture(scope="session")
def own():
    """Return the demo scenario's estimator table."""
    return dict(OWN)


@pytest.fixture(scope="session")
def demo_rows(demo):
    """Return rows of the demo camera at 500, 5000 and 20 000 electrons."""
    points = [nominal(demo.replace(signal_e=e)) for e in (500.0, 5000.0, 20000.0)]
    rows = comparison_rows(entrants(OWN, demo), points, 20, compiled)
    return {(row["estimator"], row["signal_e"]): row for row in rows}
