"""Rotation and radial distortion of the picture: by hand, and by the roots of the cubic."""

import numpy as np
import pytest

from sim.camera.lens import axis_px, corner_px, distorted, lens_of, rotated, undistorted
from sim.camera.sensor import Layout

LAYOUT = Layout(ports=6, columns=3, pitch_px=64, rim_px=24)
MIRRORS = np.arange(12)
TABLE = {  # k: r at r_d = 0.3, 0.5, 0.8
    -0.2: (0.30571450, 0.52972990, 1.0),
    -0.1: (0.30277564, 0.51354353, 0.86464089),
    0.1: (0.29737038, 0.48835331, 0.75667589),
}


@pytest.mark.parametrize("k", TABLE)
def test_the_inverse_is_the_root_of_the_cubic(k: float) -> None:
    """r_d = r (1 + k r^2): real root of k r^3 + r - r_d = 0 nearest to r_d (numpy's companion
    matrix, and a table of eight digits worked out by Newton's method in another program)."""
    for seen, listed in zip((0.3, 0.5, 0.8), TABLE[k], strict=True):
        place = seen * np.array([[0.6], [0.8]])
        found = np.linalg.norm(undistorted(place, k))
        roots = np.roots([k, 0.0, 1.0, -seen])
        real = roots[np.abs(roots.imag) < 1e-9].real
        assert found == pytest.approx(real[np.abs(real - seen).argmin()], abs=1e-12)
        assert found == pytest.approx(listed, abs=6e-9)
        np.testing.assert_allclose(distorted(undistorted(place, k), k), place, atol=1e-12)


def test_beyond_the_fold_of_a_barrel_there_is_no_place() -> None:
    """r (1 + k r^2) is largest at r = 1 / sqrt(-3 k), where it is 2/3 of that (calculus):
    0.86066297 for k = -0.2."""
    fold = 2 / 3 / np.sqrt(0.6)
    assert fold == pytest.approx(0.86066297, abs=5e-9)
    place = np.array([[fold - 1e-6, fold + 1e-6], [0.0, 0.0]])
    inside, outside = undistorted(place, -0.2)[0]
    assert inside == pytest.approx(1 / np.sqrt(0.6), abs=3e-3)
    assert np.isnan(outside)


def test_rotation_is_from_x_towards_y() -> None:
    """A quarter turn takes (1, 0) to (0, 1)."""
    np.testing.assert_allclose(rotated(np.array([[1.0], [0.0]]), np.pi / 2), [[0.0], [1.0]],
                               atol=1e-15)  # fmt: skip


def test_spots_by_hand() -> None:
    """One mirror, worked with complex numbers: z = (h + s t) e^(i a), then z (1 + k |z|^2)."""
    lens = lens_of(LAYOUT, MIRRORS, 0.5, 20.0, -3.0)
    tilt = np.zeros((12, 2))
    tilt[7] = [0.02, -0.03]  # second sensor, mirror 1: column 1, row 0
    height, width = 2 * 64 + 48, 3 * 64 + 48
    home = complex(24 + 64 + 32 - (width - 1) / 2, 24 + 32 - (height - 1) / 2)
    z = (home + 500.0 * complex(0.02, -0.03)) * np.exp(0.02j)
    z *= 1 - 0.03 * abs(z) ** 2 / ((width - 1) ** 2 + (height - 1) ** 2) * 4
    np.testing.assert_allclose(lens.spots_px(tilt)[7], [(z - home).real, (z - home).imag],
                               atol=1e-12)  # fmt: skip
    assert corner_px(LAYOUT) == pytest.approx(np.hypot(*axis_px(LAYOUT)))


def test_tilts_come_back_from_their_spots() -> None:
    rng = np.random.default_rng(1)
    tilt = rng.uniform(-0.06, 0.06, (12, 2))
    lens = lens_of(LAYOUT, MIRRORS, np.array([0.5, 0.52]), np.array([30.0, -50.0]),
                   np.array([8.0, -20.0]))  # fmt: skip
    np.testing.assert_allclose(lens.tilts_rad(lens.spots_px(tilt)), tilt, atol=1e-14)
    lost = np.where(np.arange(12)[:, None] == 3, np.nan, lens.spots_px(tilt))
    found = lens.tilts_rad(lost)
    assert np.isnan(found[3]).all() and np.isfinite(np.delete(found, 3, axis=0)).all()
