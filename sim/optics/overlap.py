"""How much of a beam couples, with both mirrors' edges and curvature in one integral.

A Gaussian field across a ray is exp(-ik (x.Q.x / 2 + p.x)), Q a complex symmetric 2 x 2 matrix (one
over the complex beam parameter where it is round), p a complex vector that is zero for a beam on
the ray. A curved mirror changes Q; free space changes both. Beam and receiving mode are brought
together on a mirror: their product is a Gaussian again, and the share of its integral that lies on
the mirror's face, an ellipse across the ray and off centre, is what the mirror's edge leaves over,
in amplitude. With one mirror that clips this is exact (paraxial). What two edges take away is
added: light that both would take away is counted twice, a part in a thousand of what the edges cost
near the aim. For a beam that misses by far, light bent at either edge alone reaches the fibre.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.foundations.ports import Array
from sim.optics.coupling import DB_PER_NEPER
from sim.optics.rays import OnMirror, Rays

Complex = NDArray[np.complex128]
EDGE_POINTS = 16
"""Points on a mirror's edge. The integrand is smooth and periodic there, so the sum converges
faster than any power: 16 are good to 1e-7 dB for incidence up to 30 degrees and beams near their
mirrors' centres; four times as many are taken for steeper mirrors."""
STEEP_RAD = np.deg2rad(30.0)
DARK_DB = 300.0
"""Beyond this loss the edges are left out: there is no light."""


class Sym(NamedTuple):
    """Symmetric 2 x 2 matrices [[xx, xy], [xy, yy]]."""

    xx: NDArray
    xy: NDArray
    yy: NDArray

    def plus(self, other: "Sym", times: float = 1.0) -> "Sym":
        """Return the sum with `times` another one."""
        return Sym(*(mine + times * its for mine, its in zip(self, other, strict=True)))

    @property
    def det(self) -> NDArray:
        """Determinant."""
        return np.asarray(self.xx * self.yy - self.xy * self.xy)

    def inverse(self) -> "Sym":
        """Return the inverse."""
        det = self.det
        return Sym(self.yy / det, -self.xy / det, self.xx / det)

    def times(self, x: NDArray, y: NDArray) -> tuple[NDArray, NDArray]:
        """Return the product with a vector."""
        return self.xx * x + self.xy * y, self.xy * x + self.yy * y

    def form(self, x: NDArray, y: NDArray) -> NDArray:
        """Return the quadratic form of a vector."""
        return np.asarray(self.xx * x * x + 2.0 * self.xy * x * y + self.yy * y * y)

    def part(self, imaginary: bool) -> "Sym":
        """Return the imaginary part, or the complex conjugate."""
        pick = np.imag if imaginary else np.conj
        return Sym(pick(self.xx), pick(self.xy), pick(self.yy))


class Light(NamedTuple):
    """What light C connections carry, at one wavelength. Waists are half the nominal path away."""

    wavelength_m: float
    waist_in_m: Array
    """(C,) of the emitted beam. [m]"""
    waist_out_m: Array
    """(C,) of the receiving mode. [m]"""
    curvature_a_per_m: Array
    """(C,) one over the radius of mirror A, positive for concave. [1/m]"""
    curvature_b_per_m: Array
    radius_a_m: float
    """Radius of the mirrors' faces. [m]"""
    radius_b_m: float
    middle_m: float
    """From each collimator to the nominal place of both waists. [m]"""


class Coupled(NamedTuple):
    """Losses of C connections that share the beam, taken apart in this order. [dB]"""

    mode_db: Array
    """Unequal waists and path length, mirrors flat and aimed."""
    curvature_db: Array
    """What the mirrors' curvature adds, aimed."""
    pointing_db: Array
    """What offset and tilt of the beam add."""
    clipping_db: Array
    """What the edges of both mirrors add to all that."""

    @property
    def total_db(self) -> Array:
        """(C,) all of them: the loss of the whole integral. [dB]"""
        return np.sum(self, axis=0)


def coupled(
    rays: Rays, light: Light, *, edges: bool = True, points: int | None = None
) -> Coupled:
    """Return what couples, from rays and light.

    Parameters
    ----------
    rays : Rays
        C beam axes.
    light : Light
        What they carry.
    edges : bool
        Whether the mirrors' edges clip.
    points : int, optional
        On an edge; `EDGE_POINTS`, or four times as many for steep mirrors, if left out.

    Returns
    -------
    Coupled
    """
    k = 2.0 * np.pi / light.wavelength_m
    round_in = _round(rays.to_a_m - light.middle_m, light.waist_in_m, light.wavelength_m)
    round_out = _round(light.middle_m - rays.to_sink_m, light.waist_out_m, light.wavelength_m)
    zero = np.zeros_like(rays.to_a_m, dtype=complex)
    mode_x = rays.mode_rad[0] - round_out.xx * rays.mode_m[0]
    mode_y = rays.mode_rad[1] - round_out.yy * rays.mode_m[1]

    flat, _ = _meet(k, _carried(round_in, rays.between_m), round_out, zero, zero)
    bend_a = _bend(rays.on_a, light.curvature_a_per_m)
    bend_b = _bend(rays.on_b, light.curvature_b_per_m)
    beam_a = round_in.plus(bend_a, -1.0)
    mode_b = round_out.plus(bend_b)
    beam_b = _carried(beam_a, rays.between_m)
    aligned, _ = _meet(k, beam_b, mode_b, zero, zero)
    gauss, on_b = _meet(k, beam_b, mode_b, mode_x, mode_y)
    clipping = np.zeros_like(gauss)
    if edges:
        mode_a = _carried(mode_b, -rays.between_m)
        # p goes with Q: both are divided by the same matrix in free space.
        back_x, back_y = mode_a.times(*mode_b.inverse().times(mode_x, mode_y))
        _, on_a = _meet(k, beam_a, mode_a, back_x, back_y)
        bright = gauss < DARK_DB
        left = np.ones_like(zero)
        for product, mirror, radius_m in (
            (on_a, rays.on_a, light.radius_a_m),
            (on_b, rays.on_b, light.radius_b_m),
        ):
            left = left + (_on_face(product, mirror, radius_m, bright, points) - 1.0)
        clipping = -2.0 * DB_PER_NEPER * np.log(np.abs(left))
    return Coupled(flat, aligned - flat, gauss - aligned, clipping)


def pointing_form(rays: Rays, light: Light) -> Array:
    """Return the quadratic form of the pointing loss, edges left out.

    Returns
    -------
    (C, 4, 4) ndarray
        The pointing loss is ``v @ G @ v`` [dB] for v = (`mode_m` x, y [m], `mode_rad` x, y [rad]).
        It is exact for Gaussian beams.
    """
    cases = np.concatenate([np.eye(4), [np.eye(4)[i] + np.eye(4)[j] for i, j in _PAIRS]])
    cases[:, :2] *= _STEP_M
    cases[:, 2:] *= _STEP_RAD
    values = []
    for case in cases:
        place, slope = case[:2, None], case[2:, None]
        shape = np.zeros_like(rays.to_a_m)
        moved = rays._replace(mode_m=place + shape, mode_rad=slope + shape)
        values.append(coupled(moved, light, edges=False).pointing_db)
    form = np.zeros((len(rays.to_a_m), 4, 4))
    steps = np.array([_STEP_M, _STEP_M, _STEP_RAD, _STEP_RAD])
    for i in range(4):
        form[:, i, i] = values[i] / steps[i] ** 2
    for (i, j), both in zip(_PAIRS, values[4:], strict=True):
        half = 0.5 * (both - values[i] - values[j]) / (steps[i] * steps[j])
        form[:, i, j] = form[:, j, i] = half
    return form


_PAIRS = [(i, j) for i in range(4) for j in range(i)]
_STEP_M, _STEP_RAD = 1e-4, 1e-3  # the form is exact, so the steps are chosen for rounding alone


class _Product(NamedTuple):
    """Product of a beam and a conjugate mode, exp(-x.S.x / 2 + b.x): S, and S^-1 b."""

    s: Sym
    middle: tuple[Complex, Complex]


def _round(past_waist_m: Array, waist_m: Array, wavelength_m: float) -> Sym:
    """Return Q of a round beam at a distance past its waist."""
    q = 1.0 / (past_waist_m + 1j * np.pi * waist_m**2 / wavelength_m)
    return Sym(q, np.zeros_like(q), q)


def _bend(mirror: OnMirror, curvature_per_m: Array) -> Sym:
    """Return what a curved mirror takes from Q: 2/(R cos i) in the plane of incidence, 2 cos i/R
    across it, turned as the mirror stands.
    """
    x, y = mirror.slope
    size = 2.0 * curvature_per_m / np.sqrt(1.0 + x * x + y * y)
    return Sym(size * (1.0 + x * x), size * x * y, size * (1.0 + y * y))


def _carried(q: Sym, way_m: Array) -> Sym:
    """Return Q after a length of free space."""
    inverse = q.inverse()
    return Sym(inverse.xx + way_m, inverse.xy, inverse.yy + way_m).inverse()


def _meet(k: float, beam: Sym, mode: Sym, x: Complex, y: Complex) -> tuple[Array, _Product]:
    """Return the loss of a beam on the ray into a mode with p = (x, y), and their product."""
    difference = beam.plus(mode.part(imaginary=False), -1.0)
    s = Sym(1j * k * difference.xx, 1j * k * difference.xy, 1j * k * difference.yy)
    bx, by = 1j * k * np.conj(x), 1j * k * np.conj(y)
    middle = s.inverse().times(bx, by)
    wide_beam, wide_mode = beam.part(imaginary=True), mode.part(imaginary=True)
    # Both imaginary parts are negative; k times their opposite is one over a width squared.
    spread = wide_mode.inverse().form(np.imag(x), np.imag(y))
    exponent = np.real(bx * middle[0] + by * middle[1]) + k * spread
    size = 0.5 * np.log(np.abs(s.det) ** 2 / (16.0 * k**4 * wide_beam.det * wide_mode.det))
    return np.asarray(DB_PER_NEPER * (size - exponent)), _Product(s, middle)


def _on_face(
    product: _Product, mirror: OnMirror, radius_m: float, bright: NDArray[np.bool_],
    points: int | None,
) -> Complex:  # fmt: skip
    """Return the share of the integral of a Gaussian product that lies on the mirror's face.

    By the divergence theorem: with y = x - middle and u = y.S.y / 2, exp(-u) is the divergence of
    y (1 - exp(-u)) / (2 u), which is smooth everywhere. What is left is a sum along the edge.
    """
    s = product.s
    slope_x, slope_y = mirror.slope
    squeeze = 1.0 / np.sqrt(1.0 + slope_x**2 + slope_y**2)
    steep = np.hypot(slope_x, slope_y)
    upright = steep > 0.0
    along_x = np.where(upright, slope_x, 1.0) / np.where(upright, steep, 1.0)
    along_y = np.where(upright, slope_y, 0.0) / np.where(upright, steep, 1.0)
    start_x = mirror.centre_m[0] - product.middle[0]
    start_y = mirror.centre_m[1] - product.middle[1]
    if points is None:
        steep = np.max(mirror.incidence_rad, initial=0.0) > STEEP_RAD
        points = EDGE_POINTS * (4 if steep else 1)
    short, total = radius_m * squeeze, np.zeros_like(s.xx)
    for turn in 2.0 * np.pi * np.arange(points) / points:
        c, d = np.cos(turn) * short, np.sin(turn) * radius_m
        x = start_x + (c * along_x - d * along_y)
        y = start_y + (c * along_y + d * along_x)
        c, d = -np.sin(turn) * short, np.cos(turn) * radius_m
        cross = x * (c * along_y + d * along_x) - y * (c * along_x - d * along_y)
        u = 0.5 * s.form(x, y)
        u = np.where(bright, u, 1.0)
        total += cross * (1.0 - np.exp(-u)) / u
    root = np.sqrt(s.xx) * np.sqrt(s.det / s.xx)
    return np.where(bright, 0.5 / points * root * total, 1.0)
