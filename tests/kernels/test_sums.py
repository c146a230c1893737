"""The largest window of the deepest pixels: 32 bits hold what a row of it adds up to."""

import numba
import numpy as np

from sim.camera.settings import Camera, CameraParams
from sim.estimators.centroid import thresholded_centroid
from sim.foundations.ports import CameraBelief
from sim.kernels.compiled.camera import read_out
from sim.kernels.vectors import N, store

SIDE, FULL_DN = 256, 2**16 - 1


@numba.njit
def row_sums(row, camera, threshold, out):
    total, weighted = read_out(row, row.size // N, camera.full_well_e, camera, threshold)
    store(out, 0, total)
    store(out, N, weighted)


def test_settings_go_no_further():
    window, bits = CameraParams.model_fields["window_px"], CameraParams.model_fields["bits"]
    assert str(SIDE) in str(window.annotation) and any(
        getattr(mark, "le", None) == 16 for mark in bits.metadata
    )


def test_a_full_row_does_not_overflow():
    """By hand: 256 x 65535, and 65535 times 0 + 1 + ... + 255 = 2 139 062 400 < 2^31."""
    camera = Camera(1.8, 1.0, 0.0, 1.0, 1.0, 0.0, 1e9, float(FULL_DN))
    row = np.full(SIDE * N, 1e8, np.float32)
    for threshold in (0, 100, -100):
        out = np.zeros(2 * N, np.int64)
        row_sums(row, camera, threshold, out)
        each = FULL_DN - threshold
        np.testing.assert_array_equal(out[:N], SIDE * each)
        np.testing.assert_array_equal(out[N:], each * (SIDE * (SIDE - 1) // 2))


def test_a_full_window_has_its_centre_in_the_middle():
    frames = np.full((1, SIDE, SIDE), FULL_DN, np.int32)
    belief = CameraBelief(0.0, 1.0, 0.0, 1.0, FULL_DN, 1.8)
    reading = thresholded_centroid(
        frames, camera=belief, threshold_dn=0, min_flux_dn=1.0, edge_px=1.0
    )
    np.testing.assert_array_equal(reading.spot_px, [[127.5, 127.5]])
    assert reading.flux_dn[0] == SIDE * SIDE * FULL_DN
