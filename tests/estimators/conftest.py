"""A small camera of the tests' own: the estimators do not judge themselves by the simulator's."""

import numpy as np
import pytest

from sim.estimators.spot_model import pixel_integrated
from sim.ports import CameraBelief


def _frames(spot_px, camera, signal_e, *, shape=(24, 24), rng=None, extra_e=0.0):
    """Return frames [DN]: Poisson spot, background and extra light, normal read noise, rounding."""
    spot_px = np.asarray(spot_px, dtype=float)
    light = np.reshape(signal_e, (-1, 1, 1)) * pixel_integrated(
        spot_px, camera.spot_sigma_px, shape
    )
    mean_e = light + camera.background_e + extra_e
    if rng is None:
        charge_e = mean_e
    else:
        charge_e = rng.poisson(mean_e) + rng.normal(0, camera.read_noise_e, mean_e.shape)
    dn = np.rint(camera.black_dn + camera.gain_dn_per_e * charge_e)
    return np.clip(dn, 0, camera.full_scale_dn).astype(np.int32)


@pytest.fixture
def make_frames():
    """Return the frame maker: noise-free unless it is given a generator."""
    return _frames


@pytest.fixture
def camera():
    """Return the demo camera: 10 bit, 0.5 DN/e, black level 32 DN."""
    return CameraBelief(32.0, 0.5, 20.0, 6.0, 1023, 1.8)


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
