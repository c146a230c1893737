"""A small camera of the tests' own: the estimators do not judge themselves by the simulator's."""

import pytest
from mirrorloop.testing.estimators import CAMERA, frames_of_spots

from sim.foundations.ports import CameraBelief


@pytest.fixture
def make_frames():
    """Return the frame maker: noise-free unless it is given a generator."""
    return frames_of_spots


@pytest.fixture
def camera():
    """Return the demo camera: 10 bit, 0.5 DN/e, black level 32 DN."""
    return CAMERA


@pytest.fixture
def fine_camera():
    """Return a camera whose rounding does not count: 4 DN/e, and no clipping at either end."""
    return CameraBelief(1000.0, 4.0, 10.0, 5.0, 2**30, 1.2)


@pytest.fixture
def settings():
    """Return settings for the demo spot, by estimator; no two estimators share a trick."""
    common = {"min_flux_dn": 1000.0, "edge_px": 2.0}
    own = {
        "components": {
            "threshold_dn": 57,
            "peak_fraction": 0.15,
            "hot_step_dn": 150.0,
            "min_area_px": 6,
        },
        "thresholded_centroid": {"threshold_dn": 57},
        "weighted_centroid": {"weight_sigma_px": 1.8},
    }
    names = ("gaussian_fit", "log_peak", "matched_filter", "poisson_fit", "quad_cell", *own)
    return {name: common | own.get(name, {}) for name in names}
