"""Curved mirrors, wavelength and neighbours against values worked out elsewhere.

All values: closed forms, each confirmed on a second route (complex beam parameters, fields on a
grid, quadrature of the Gaussian over a circle) outside this project; printed digits.
"""

import numpy as np
import pytest

from sim.optics.coupling import coupling_loss_db
from sim.optics.losses import ellipse_transmission
from sim.optics.overlap import Light, _bend, coupled
from sim.optics.rays import OnMirror, Rays

WAVELENGTH_M, W_M, MIDDLE_M, BETWEEN_M = 1.31e-6, 200e-6, 0.105, 0.05


def curved_db(curvature_per_m, incidence_deg=0.0, wavelength_m=WAVELENGTH_M, w_m=W_M, off_m=0.0):
    """Loss at one curved mirror A of matched modes with their waists on it; mirror B is flat.

    A beam that meets the mirror off its vertex is turned by twice the slope there.
    """
    one, flat = np.ones(1), np.zeros((2, 1))
    slope = np.array([[np.tan(np.deg2rad(incidence_deg))], [0.0]])
    turn = np.array([[2.0 * off_m * curvature_per_m], [0.0]])
    rays = Rays(
        OnMirror(slope, flat, np.deg2rad(incidence_deg) * one), OnMirror(flat, flat, 0 * one),
        MIDDLE_M * one, BETWEEN_M * one, (MIDDLE_M - BETWEEN_M) * one, turn * BETWEEN_M, turn,
    )  # fmt: skip
    light = Light(wavelength_m, w_m * one, w_m * one, curvature_per_m * one, 0 * one, 1.0, 1.0,
                  MIDDLE_M)  # fmt: skip
    return float(coupled(rays, light, edges=False).total_db[0])


def share(loss_db):
    return 10 ** (-0.1 * loss_db)


@pytest.mark.parametrize(
    "incidence_deg, eta, loss_db",
    [(0.0, 0.964499, 0.156982), (22.5, 0.964085, 0.158849), (45.0, 0.956347, 0.193843)],
)
def test_a_curved_mirror_of_half_a_metre(incidence_deg, eta, loss_db):
    """Foci R cos i / 2 and R / (2 cos i): eta = 1 / sqrt((1 + bt^2) (1 + bs^2))."""
    got = curved_db(2.0, incidence_deg)
    assert got == pytest.approx(loss_db, abs=2e-6)
    assert share(got) == pytest.approx(eta, abs=1e-6)


@pytest.mark.parametrize("radius_m, loss_db", [(0.62853, 0.1), (0.188517, 1.0)])
def test_radii_that_cost_a_tenth_and_one_decibel(radius_m, loss_db):
    assert curved_db(1.0 / radius_m) == pytest.approx(loss_db, rel=2e-5)


def test_a_mirror_met_off_its_vertex():
    """1 / (1 + b^2) times exp(-4 b^2 (d / w)^2 / (1 + b^2)) for b = 0.3 and d = 0.3 w."""
    b = 0.3
    bend = b * WAVELENGTH_M / (np.pi * W_M**2)
    assert share(curved_db(bend, off_m=0.3 * W_M)) == pytest.approx(0.89056208, abs=1e-8)


def test_what_is_held_over_the_band_decides_the_slope():
    for nm, fixed_waist, fixed_fibre in (
        (1260, 0.169443, 0.098725), (1310, 0.156982, 0.106619), (1360, 0.145839, 0.114804),
    ):  # fmt: skip
        at = 1e-9 * nm
        assert curved_db(2.0, wavelength_m=at) == pytest.approx(fixed_waist, abs=1e-6)
        behind_lens = at * 2e-3 / (np.pi * 4.6e-6)
        assert curved_db(2.0, wavelength_m=at, w_m=behind_lens) == pytest.approx(
            fixed_fibre, abs=1e-6
        )


@pytest.mark.parametrize(
    "off, loss_db",
    [(2.0, 17.37178), (3.0, 39.08650), (4.0, 69.48712), (3.03485, 40.0), (3.39307, 50.0),
     (3.71692, 60.0)],
)  # fmt: skip
def test_a_beam_beside_a_mode_of_its_own_size(off, loss_db):
    got = coupling_loss_db(
        [off * W_M, 0.0], [0.0, 0.0], wavelength_m=WAVELENGTH_M, waist_in_m=W_M, waist_out_m=W_M,
        gap_m=0.0,
    )  # fmt: skip
    assert got == pytest.approx(loss_db, abs=2e-4)


@pytest.mark.parametrize(
    "ratio, incidence_deg, circle",
    [(1.5, 22.5, 0.98435272), (1.5, 45.0, 0.95849662), (1.0, 45.0, 0.75688327)],
)
def test_a_circle_of_the_same_area_passes_more(ratio, incidence_deg, circle):
    """The value is the trap's: what an ellipse is not."""
    incidence = np.deg2rad(incidence_deg)
    same_area = 1 - np.exp(-2 * ratio**2 * np.cos(incidence))
    assert same_area == pytest.approx(circle, abs=1e-8)
    assert float(ellipse_transmission(ratio, 1.0, incidence)) < circle - 3e-4


@pytest.mark.parametrize("offset_um, tilt_mrad", [(2.4952, 0.0), (0.0, 45.529)])
def test_one_decibel_of_a_fibre_s_own_mode(offset_um, tilt_mrad):
    got = coupling_loss_db(
        [1e-6 * offset_um, 0.0], [1e-3 * tilt_mrad, 0.0], wavelength_m=1.55e-6, waist_in_m=5.2e-6,
        waist_out_m=5.2e-6, gap_m=0.0,
    )  # fmt: skip
    assert got == pytest.approx(1.0, abs=1e-4)


# Focal lengths of a sphere of R = 1 m met at an angle: R cos i / 2 in the plane of incidence,
# R / (2 cos i) across it; digits computed apart, and here by rays.
@pytest.mark.parametrize(
    "incidence_deg, tangential, sagittal",
    [(22.5, 0.4619398, 0.5411961), (45.0, 0.3535534, 0.7071068)],
)
def test_focal_lengths_of_an_oblique_sphere(incidence_deg, tangential, sagittal):
    i = np.deg2rad(incidence_deg)
    way = np.array([np.sin(i), 0.0, -np.cos(i)])  # falls on (0, 0, 0); the centre is at (0, 0, 1)
    middle = np.array([0.0, 0.0, 1.0])

    def reflected(start):
        past = start - middle
        b, c = past @ way, past @ past - 1.0
        hit = start + (-b + np.sqrt(b * b - c)) * way
        normal = middle - hit
        return hit, way - 2.0 * (way @ normal) * normal

    _, chief = reflected(-way)
    beside = (np.array([np.cos(i), 0.0, np.sin(i)]), np.array([0.0, 1.0, 0.0]))
    slope = np.array([[np.tan(i)], [0.0]])
    size = _bend(OnMirror(slope, np.zeros((2, 1)), np.array([i])), np.array([1.0]))
    for focus, side, power in zip(
        (tangential, sagittal), beside, (size.xx, size.yy), strict=True
    ):
        h = 1e-5
        apart, ways = zip(*(reflected(-way + s * h * side) for s in (-1, 1)), strict=True)
        place, turn = apart[1] - apart[0], ways[1] - ways[0]
        by_rays = -(place @ turn) / (turn @ turn)  # along the chief ray, where they meet
        assert by_rays * np.linalg.norm(chief) == pytest.approx(focus, abs=1e-6)
        assert 1.0 / power[0] == pytest.approx(focus, abs=1e-7)
