"""Edges, curvature and pointing in one integral, against fields sampled and propagated here."""

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.integrate import quad
from scipy.special import ive

from sim.optics.coupling import coupling_loss_db
from sim.optics.losses import ellipse_transmission
from sim.optics.overlap import Light, coupled
from sim.optics.rays import OnMirror, Rays

Vector = NDArray[np.float64]
HUGE_M = 0.05


def rays(
    *, to_a=0.04, between=0.13, to_sink=0.04, mode_um=(0.0, 0.0), mode_mrad=(0.0, 0.0),
    incidence_deg=0.0, turn_rad=0.0, centre_a_um=(0.0, 0.0), centre_b_um=(0.0, 0.0),
) -> Rays:  # fmt: skip
    """One ray; both mirrors stand at the incidence, in a plane turned about the ray."""
    incidence = np.deg2rad(incidence_deg)
    slope = np.tan(incidence) * np.array([[np.cos(turn_rad)], [np.sin(turn_rad)]])

    def column(pair: tuple[float, float], unit: float) -> Vector:
        return unit * np.array(pair, dtype=float)[:, None]

    one = np.ones(1)
    return Rays(
        on_a=OnMirror(slope, column(centre_a_um, 1e-6), incidence * one),
        on_b=OnMirror(slope, column(centre_b_um, 1e-6), incidence * one),
        to_a_m=to_a * one, between_m=between * one, to_sink_m=to_sink * one,
        mode_m=column(mode_um, 1e-6), mode_rad=column(mode_mrad, 1e-3),
    )  # fmt: skip


def light(
    *, wavelength_um=1.31, waist_um=200.0, waist_out_um=200.0, bend=(0.0, 0.0),
    radius_m=(HUGE_M, HUGE_M), middle=0.105,
) -> Light:  # fmt: skip
    one = np.ones(1)
    return Light(
        1e-6 * wavelength_um, 1e-6 * waist_um * one, 1e-6 * waist_out_um * one,
        bend[0] * one, bend[1] * one, radius_m[0], radius_m[1], middle,
    )  # fmt: skip


class Fields:
    """Two-dimensional fields on a grid, free space by the angular spectrum (paraxial kernel)."""

    def __init__(self, wavelength_m: float, half_m: float = 2.4e-3, points: int = 768) -> None:
        self.k = 2 * np.pi / wavelength_m
        step = 2 * half_m / points
        self.line = (np.arange(points) - points // 2) * step
        self.x, self.y = np.meshgrid(self.line, self.line, indexing="ij")
        kx = 2 * np.pi * np.fft.fftfreq(points, step)
        self.k2 = kx[:, None] ** 2 + kx[None, :] ** 2
        self.step = step

    def beam(self, waist_m, past_waist_m, at=(0.0, 0.0), slope=(0.0, 0.0)):
        q = past_waist_m + 1j * np.pi * waist_m**2 * self.k / (2 * np.pi)
        dx, dy = self.x - at[0], self.y - at[1]
        return np.exp(-1j * self.k * ((dx**2 + dy**2) / (2 * q) + slope[0] * dx + slope[1] * dy))

    def carried(self, field, way_m):
        return np.fft.ifft2(np.fft.fft2(field) * np.exp(0.5j * self.k2 * way_m / self.k))

    def face(self, radius_m, incidence, turn, centre, fine=4):
        """Share of each cell that lies on an inclined round mirror."""
        total = np.zeros_like(self.x)
        offsets = ((np.arange(fine) + 0.5) / fine - 0.5) * self.step
        for ox in offsets:
            for oy in offsets:
                dx, dy = self.x + ox - centre[0], self.y + oy - centre[1]
                along = (dx * np.cos(turn) + dy * np.sin(turn)) / np.cos(incidence)
                across = -dx * np.sin(turn) + dy * np.cos(turn)
                total += along**2 + across**2 <= radius_m**2
        return total / fine**2

    def lens(self, bend, incidence, turn):
        """Phase of a concave sphere: f = R cos i / 2 in the plane of incidence, R / (2 cos i)."""
        along = self.x * np.cos(turn) + self.y * np.sin(turn)
        across = -self.x * np.sin(turn) + self.y * np.cos(turn)
        c = np.cos(incidence)
        return np.exp(0.5j * self.k * (2 * bend / c * along**2 + 2 * bend * c * across**2))

    def loss_db(self, field, mode, power):
        overlap = np.abs(np.sum(field * np.conj(mode))) ** 2
        return -10 * np.log10(overlap / (power * np.sum(np.abs(mode) ** 2)))


CASES = {
    "aligned": {},
    "offset and tilt": {"mode_um": (30.0, -20.0), "mode_mrad": (0.15, 0.2)},
    "curved": {"bend": (0.7, -0.4), "incidence_deg": 20.0, "turn_rad": 0.4},
    "unequal and longer": {"waist_out_um": 185.0, "between": 0.137},
    "all": {
        "mode_um": (25.0, -35.0), "mode_mrad": (-0.2, 0.1), "bend": (0.6, 0.5),
        "incidence_deg": 22.0, "turn_rad": 0.3, "waist_out_um": 190.0, "between": 0.134,
        "centre_a_um": (40.0, 20.0), "centre_b_um": (-30.0, 50.0),
    },
}  # fmt: skip
RAY_KEYS = ("mode_um", "mode_mrad", "incidence_deg", "turn_rad", "between", "centre_a_um",
            "centre_b_um")  # fmt: skip


def split(case):
    return (
        {k: v for k, v in case.items() if k in RAY_KEYS},
        {k: v for k, v in case.items() if k not in RAY_KEYS},
    )


def propagated_loss_db(ray: Rays, lamp: Light, incidence, turn, edges) -> float:
    """Second route: sampled fields, step by step through the switch, nothing in closed form."""
    grid = Fields(lamp.wavelength_m)
    field = grid.beam(lamp.waist_in_m[0], ray.to_a_m[0] - lamp.middle_m)
    power = np.sum(np.abs(field) ** 2)
    bends = (lamp.curvature_a_per_m[0], lamp.curvature_b_per_m[0])
    mirrors = ((ray.on_a, lamp.radius_a_m), (ray.on_b, lamp.radius_b_m))
    for number, (mirror, radius) in enumerate(mirrors):
        if edges[number]:
            field = field * grid.face(radius, incidence, turn, mirror.centre_m[:, 0])
        field = field * grid.lens(bends[number], incidence, turn)
        if number == 0:
            field = grid.carried(field, ray.between_m[0])
    mode = grid.beam(
        lamp.waist_out_m[0], lamp.middle_m - ray.to_sink_m[0], ray.mode_m[:, 0], ray.mode_rad[:, 0]
    )
    return float(grid.loss_db(field, mode, power))


@pytest.mark.parametrize("name", CASES)
def test_beam_through_curved_mirrors_without_edges(name):
    for_rays, for_light = split(CASES[name])
    ray, lamp = rays(**for_rays), light(**for_light)
    incidence = np.deg2rad(for_rays.get("incidence_deg", 0.0))
    want = propagated_loss_db(
        ray, lamp, incidence, for_rays.get("turn_rad", 0.0), (False, False)
    )
    # Sums over a smooth field that vanishes at the grid's edge: exact far below this.
    assert coupled(ray, lamp, edges=False).total_db[0] == pytest.approx(want, abs=2e-7)
    got = coupled(ray, lamp)
    assert got.clipping_db[0] == pytest.approx(0.0, abs=1e-9)  # mirrors of 50 mm


@pytest.mark.parametrize("name", CASES)
@pytest.mark.parametrize("one", [0, 1])
def test_one_edge_with_curvature_and_pointing(name, one):
    for_rays, for_light = split(CASES[name])
    radius = [HUGE_M, HUGE_M]
    radius[one] = 330e-6
    ray, lamp = rays(**for_rays), light(**for_light, radius_m=tuple(radius))
    incidence = np.deg2rad(for_rays.get("incidence_deg", 0.0))
    want = propagated_loss_db(
        ray, lamp, incidence, for_rays.get("turn_rad", 0.0), [i == one for i in range(2)]
    )
    # The edge is drawn on the grid with cells split in 16, good to 3e-4 dB against a closed form.
    assert coupled(ray, lamp).total_db[0] == pytest.approx(want, abs=5e-4)


@pytest.mark.parametrize("name", CASES)
@pytest.mark.parametrize("radius_um, bound_db", [(450.0, 0.003), (380.0, 0.02)])
def test_two_edges_add_within_a_stated_bound(name, radius_um, bound_db):
    for_rays, for_light = split(CASES[name])
    ray = rays(**for_rays)
    lamp = light(**for_light, radius_m=(1e-6 * radius_um, 1e-6 * radius_um))
    incidence = np.deg2rad(for_rays.get("incidence_deg", 0.0))
    turn = for_rays.get("turn_rad", 0.0)
    want = propagated_loss_db(ray, lamp, incidence, turn, (True, True))
    got = coupled(ray, lamp).total_db[0]
    # The bound is measured here, not derived: what the second edge sees of the first.
    assert abs(got - want) < bound_db


# Round mirror at normal incidence, matched waists, w at the mirror; beam and mode are off centre
# together and not realigned. a/w, offset/w, b = pi w^2/(lambda R), power coupled. Computed apart
# from this code by a polar integral and by strips of error functions.
@pytest.mark.parametrize(
    "ratio, off, b, power",
    [(1.5, 0.0, 0.3, 0.9130803), (1.5, 0.3, 0.3, 0.8822486),
     (1.25, 0.3, 0.5, 0.745793), (2.0, 0.5, 0.5, 0.657895)],
)  # fmt: skip
def test_clip_curvature_and_offset_together(ratio, off, b, power):
    waist_um, wavelength_um = 200.0, 1.31
    bend = b * 1e-6 * wavelength_um / (np.pi * (1e-6 * waist_um) ** 2)
    # Off the centre of the curved mirror the ray is turned by twice its slope there.
    turned_mrad = 1e3 * 2 * bend * off * waist_um * 1e-6
    ray = rays(
        to_a=0.0, between=0.0, to_sink=0.0, centre_b_um=(-off * waist_um, 0.0),
        mode_mrad=(turned_mrad, 0.0),
    )  # fmt: skip
    lamp = light(bend=(0.0, bend), middle=0.0, radius_m=(HUGE_M, 1e-6 * ratio * waist_um))
    got = coupled(ray, lamp)
    assert 10 ** (-0.1 * got.total_db[0]) == pytest.approx(power, abs=1e-6)
    if off == 0.0:
        # The product of both losses is more than the truth: the edge carries the phase error.
        product = np.log10(1 + b**2) * 10 - 20 * np.log10(1 - np.exp(-2 * ratio**2))
        assert got.total_db[0] < product - 0.05


def test_without_curvature_it_is_the_closed_form_of_two_gaussians():
    rng = np.random.default_rng(8)
    for _ in range(50):
        to_sink, between = rng.uniform(0.02, 0.06), rng.uniform(0.1, 0.16)
        offset, tilt = 60e-6 * rng.normal(size=2), 0.4e-3 * rng.normal(size=2)
        ray = rays(
            to_sink=to_sink, between=between, mode_um=tuple(1e6 * offset),
            mode_mrad=tuple(1e3 * tilt), incidence_deg=20.0, turn_rad=rng.uniform(0, 6),
        )  # fmt: skip
        lamp = light(waist_um=rng.uniform(180, 220), waist_out_um=rng.uniform(180, 220))
        # The mode's axis against the beam, at mirror B; at the mode's waist the beam is elsewhere.
        to_waist = to_sink - lamp.middle_m
        want = coupling_loss_db(
            -(offset + to_waist * tilt), -tilt, wavelength_m=lamp.wavelength_m,
            waist_in_m=lamp.waist_in_m[0], waist_out_m=lamp.waist_out_m[0],
            gap_m=0.04 + between + to_sink - 2 * lamp.middle_m,
        )  # fmt: skip
        assert coupled(ray, lamp, edges=False).total_db[0] == pytest.approx(want, rel=1e-10)


def test_edges_alone_agree_with_power_passed():
    for incidence_deg in (0.0, 22.5, 45.0, 60.0):
        ray = rays(to_a=0.0, between=0.0, to_sink=0.0, incidence_deg=incidence_deg, turn_rad=0.7)
        lamp = light(middle=0.0, radius_m=(HUGE_M, 300e-6))
        passed = ellipse_transmission(300e-6, 200e-6, np.deg2rad(incidence_deg))
        assert 10 ** (-0.05 * coupled(ray, lamp).clipping_db[0]) == pytest.approx(passed, abs=1e-9)


# Radius of the mirror and distance off its centre, over the beam's radius; loss of power on it.
# One minus Marcum's Q; the last three are a neighbouring mirror of a beam that is on its own, where
# the points of the edge leave some 1e-6 of the beam's light.
@pytest.mark.parametrize(
    "ratio, off, lost_db, tolerance",
    [(1.5, 0.3, 0.092671, 1e-9), (1.5, 0.5, 0.194131, 1e-9), (1.0, 0.5, 1.360898, 1e-9),
     (1.5, 2.0, 8.99988, 5e-6), (1.5, 3.0, 30.38853, 5e-6), (1.5, 4.0, 67.67334, 5e-6)],
)  # fmt: skip
def test_an_edge_off_centre_passes_what_falls_within_it(ratio, off, lost_db, tolerance):
    waist_um = 200.0
    centre = (0.6 * off * waist_um, 0.8 * off * waist_um)
    ray = rays(to_a=0.0, between=0.0, to_sink=0.0, centre_b_um=centre)
    lamp = light(middle=0.0, radius_m=(HUGE_M, 1e-6 * ratio * waist_um))
    # Along the ring of radius r the Gaussian off centre is a Bessel function: by quadrature.
    within, _ = quad(
        lambda r: 4 * r * np.exp(-2 * (r - off) ** 2) * ive(0, 4 * r * off), 0, ratio, epsrel=1e-12
    )
    assert -10 * np.log10(within) == pytest.approx(lost_db, abs=1e-5)
    passed = 10 ** (-0.05 * coupled(ray, lamp).clipping_db[0])
    assert passed == pytest.approx(within, abs=tolerance)


# Unwanted curvature with matched modes: eta = 1/sqrt((1 + bt^2)(1 + bs^2)), b = pi w^2/(2 lambda f)
# with f = R cos i/2 and R/(2 cos i), derived by overlap; R = 0.5 m, w = 200 um at 1310 nm.
@pytest.mark.parametrize(
    "incidence_deg, loss_db", [(0.0, 0.156982), (22.5, 0.158849), (45.0, 0.193843)]
)
@pytest.mark.parametrize("turn_rad", [0.0, 0.5])
def test_oblique_curvature(incidence_deg, loss_db, turn_rad):
    ray = rays(
        to_a=0.0, between=0.0, to_sink=0.0, incidence_deg=incidence_deg, turn_rad=turn_rad
    )
    got = coupled(ray, light(bend=(0.0, 2.0), middle=0.0))
    assert got.curvature_db[0] == pytest.approx(loss_db, abs=1e-6)


def test_a_curved_mirror_between_matches_ray_matrices():
    # ABCD matrices of free space and a thin lens carry the complex beam parameter.
    bend, wavelength_um, waist_um = 0.5, 1.31, 200.0
    q = 0.04 - 0.105 + 1j * np.pi * (1e-6 * waist_um) ** 2 / (1e-6 * wavelength_um)
    lens, space = np.array([[1.0, 0.0], [-2 * bend, 1.0]]), np.array([[1.0, 0.13], [0.0, 1.0]])
    (a, b), (c, d) = space @ lens
    arrived = (a * q + b) / (c * q + d)
    mode = 0.105 - 0.04 + 1j * np.pi * (1e-6 * waist_um) ** 2 / (1e-6 * wavelength_um)
    power = (2 * np.sqrt(arrived.imag * mode.imag) / abs(arrived - np.conj(mode))) ** 2
    got = coupled(rays(), light(bend=(bend, 0.0)), edges=False)
    assert got.total_db[0] == pytest.approx(-10 * np.log10(power), abs=1e-10)


def test_a_lost_beam_is_dark_and_finite():
    got = coupled(rays(mode_mrad=(30.0, 5.0)), light(radius_m=(450e-6, 450e-6)))
    assert np.isfinite(got.total_db).all() and got.total_db[0] > 300.0
