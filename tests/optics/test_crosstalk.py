"""Crosstalk against fields propagated on a grid, with both edges, and against limits."""

import numpy as np
import pytest

from sim.optics import crosstalk
from sim.optics.crosstalk import crosstalk_db, field_behind, least_db, scattered_db
from sim.optics.params import OpticsParams
from sim.optics.rays import OnMirror, Rays

WAVELENGTH_M, WAIST_M, RADIUS_M, WAY_M = 1.31e-6, 200e-6, 450e-6, 0.13
OPTICS = OpticsParams(
    data_wavelength_nm=1310.0, waist_um=200.0,
    receiving_waist_um=200.0, mirror_radius_um=450.0, mirror_reflectivity=1.0,
    combiner_loss_db=0.0, collimator_loss_db=0.0, connector_mean_db=0.0, connector_sd_db=0.0,
)  # fmt: skip


def ray(off_m, slope_rad):
    one = np.ones(1)
    flat = np.zeros((2, 1))
    centre = np.array([[off_m], [0.0]])
    return Rays(
        OnMirror(flat, flat, 0 * one), OnMirror(flat, centre, 0 * one), 0.04 * one, WAY_M * one,
        0.04 * one, centre, np.array([[slope_rad], [0.0]]),
    )  # fmt: skip


def on_a_grid(off_m, slope_rad, points=1024, half_m=4.5e-3):
    """Fields sampled in two dimensions; free space by the angular spectrum. Both edges."""
    k = 2 * np.pi / WAVELENGTH_M
    step = 2 * half_m / points
    line = (np.arange(points) - points // 2) * step
    x, y = np.meshgrid(line, line, indexing="ij")
    kx = 2 * np.pi * np.fft.fftfreq(points, step)

    def beam(past, at, slope):
        q = past + 1j * np.pi * WAIST_M**2 / WAVELENGTH_M
        return np.exp(-1j * k * (((x - at) ** 2 + y**2) / (2 * q) + slope * (x - at)))

    def face(at):
        share = np.zeros_like(x)
        for ox in (np.arange(4) - 1.5) / 4 * step:
            for oy in (np.arange(4) - 1.5) / 4 * step:
                share += (x + ox - at) ** 2 + (y + oy) ** 2 <= RADIUS_M**2
        return share / 16

    first = beam(-0.065, 0.0, 0.0)
    power = np.sum(np.abs(first) ** 2)
    spectrum = np.fft.fft2(first * face(0.0))
    arrived = np.fft.ifft2(spectrum * np.exp(0.5j * (kx[:, None] ** 2 + kx**2) * WAY_M / k))
    mode = beam(0.065, off_m, slope_rad)
    overlap = np.abs(np.sum(arrived * face(off_m) * np.conj(mode))) ** 2
    return -10 * np.log10(overlap / (power * np.sum(np.abs(mode) ** 2)))


@pytest.mark.parametrize(
    "off_m, slope_rad, near_db",
    [(0.0, 0.0, 0.01), (200e-6, 5e-4, 0.05), (700e-6, 0.0, 1.0), (1.5e-3, 0.0, 2.5),
     (1.5e-3, 6e-3, 2.5)],
)  # fmt: skip
def test_both_edges_against_a_grid(off_m, slope_rad, near_db):
    got = crosstalk_db(ray(off_m, slope_rad), OPTICS, 0.105)[0]
    # Far down, the stepped edge of the grid is what limits it.
    assert got == pytest.approx(on_a_grid(off_m, slope_rad), abs=near_db)


def test_without_an_edge_the_field_is_the_gaussian():
    at, field = field_behind(WAVELENGTH_M, WAIST_M, -0.065, 5 * WAIST_M, WAY_M, 1e-3)
    spread = WAIST_M * np.hypot(1.0, 0.065 * WAVELENGTH_M / (np.pi * WAIST_M**2))
    want = 2 / np.pi / spread**2 * np.exp(-2 * at**2 / spread**2)
    np.testing.assert_allclose(np.abs(field) ** 2, want, atol=1e-9 * want.max())


def test_the_field_is_sampled_finer_than_the_rings_of_its_edge():
    """Rings of a round edge lie wavelength * way / (2 radius) apart (Airy); 100 samples to each."""
    for reach_m in (1e-3, 6e-3):
        at, _ = field_behind(WAVELENGTH_M, WAIST_M, -0.065, RADIUS_M, WAY_M, reach_m)
        assert at[-1] == reach_m and len(at) >= 400
        assert at[1] < WAVELENGTH_M * WAY_M / (2 * RADIUS_M) / 100


def test_a_steep_beam_is_nil():
    assert crosstalk_db(ray(1e-3, 0.05), OPTICS, 0.105)[0] == 200.0


def test_scatter_by_hand():
    # 3 nm at 1550 nm, 30 degrees: (4 pi 3/1550 cos 30)^2 = 4.4367e-4 of the light, spread over half
    # a sphere, Lambert's pi sr: E = TIS / (pi d^2), L = E TIS / pi, times wavelength^2; d = 0.1 m.
    tis = (4 * np.pi * 3 / 1550) ** 2 * 0.75
    assert tis == pytest.approx(4.4367e-4, rel=1e-4)
    taken = tis / (np.pi * 0.01) * tis / np.pi * (1.55e-6) ** 2
    assert scattered_db(3e-9, 1.55e-6, np.pi / 6, 0.1) == pytest.approx(-10 * np.log10(taken))


def test_scatter_grows_with_the_fourth_power_of_roughness():
    one, two = (scattered_db(s, 1.31e-6, 0.35, 0.13) for s in (1e-9, 2e-9))
    assert one - two == pytest.approx(40 * np.log10(2), abs=1e-9)
    assert one > 150.0


def scattered_rays(count, seed):
    """Beams up to 1.8 mm off a mirror that looks up to 35 mrad aside, aimed to 40 um."""
    g = np.random.default_rng(seed)
    turn, way = g.uniform(0, 2 * np.pi, (2, count))
    centre = g.uniform(0, 1.8e-3, count) * np.array([np.cos(turn), np.sin(turn)])
    slope = g.uniform(0, 0.035, count) * np.array([np.cos(way), np.sin(way)])
    one, flat = np.ones(count), np.zeros((2, count))
    mode = centre + 4e-5 * g.normal(size=(2, count))
    return Rays(
        OnMirror(flat, flat, 0 * one), OnMirror(flat, centre, 0 * one), 0.04 * one, WAY_M * one,
        0.04 * one, mode, slope,
    )  # fmt: skip


def test_no_pair_loses_less_than_what_falls_onto_its_mirrors_allows():
    rays = scattered_rays(400, 1)
    loss, least = crosstalk_db(rays, OPTICS, 0.105), least_db(rays, OPTICS, 0.105)
    assert (loss >= least).all()
    assert np.mean(least > 40.0) > 0.8  # it does say something
    bounded = crosstalk_db(rays, OPTICS, 0.105, enough_db=50.0)
    assert np.isinf(bounded).any()
    np.testing.assert_array_equal(bounded[loss < 50.0], loss[loss < 50.0])


def test_points_over_a_face_are_enough_for_any_slope(monkeypatch):
    """Twice as many along radius and turn: a spectral rule that has converged does not change."""
    rays = scattered_rays(60, 2)
    few = crosstalk_db(rays, OPTICS, 0.105)
    monkeypatch.setattr(crosstalk, "LEAST_RADII", 60)
    monkeypatch.setattr(crosstalk, "LEAST_TURNS", 120)
    crosstalk._face.cache_clear()
    many = crosstalk_db(rays, OPTICS, 0.105)
    crosstalk._face.cache_clear()
    np.testing.assert_allclose(few[few < 90], many[few < 90], atol=0.1)
    np.testing.assert_allclose(few, many, atol=1.5)
