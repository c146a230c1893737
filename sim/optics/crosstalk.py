"""Light of one connection in the output of another.

A beam that mirror A sends towards its own mirror B reaches another output only by way of that
output's mirror, with the tilt that this mirror has for its own input. What counts far off the
beam's axis is not its Gaussian tail but the light that the edge of mirror A throws aside, cut out
again by the edge of the other mirror B. Both are in here: the field behind a round mirror A at
the distance of mirror B, as a one-dimensional diffraction integral, is summed over the face of
the other mirror against the mode of the other output.

Mirrors are flat and their edges round here: a few dB of a figure far down. Scattered light is an
estimate apart (`scattered_db`).
"""

from functools import lru_cache
from typing import Final, NamedTuple

import numpy as np
import scipy
from numpy.typing import NDArray

from sim.foundations.ports import Array
from sim.optics.build_errors import BuiltSwitch
from sim.optics.params import OpticsParams
from sim.optics.rays import Ports, Rays, trace

LEAST_RADII: Final = 12
LEAST_TURNS: Final = 24
"""Points over the face of a mirror whose light has even phase: Gauss-Legendre along the radius, and
even steps along the turn. A phase that runs by a radian from its middle to its edge takes a
quarter more along the radius, and one more along the turn."""
PHASE_CLASS: Final = 8.0
"""Pairs whose phase runs alike share their points. [rad]"""
PAIRS_AT_ONCE: Final = 16
FIELD_REACH_M: Final = 2.5e-4
"""The field of one instant of a move serves those whose beams land within this further out. [m]"""
FALLS_M: Final = 4e-3
"""How far out it is known how much of a beam falls; further out it is no more. [m]"""
SLACK_DB: Final = 3.0
STEEPEST_RAD: Final = 0.04
"""Beams that arrive at a larger angle to the mode are reported as nil: the sum would need more
points, and the light is less than what is scattered."""
NIL_DB: Final = 200.0
"""Largest loss that is reported; it means nothing at all."""
FIELD_STEPS: Final = 400


class Pairs(NamedTuple):
    """P pairs of a beam and an output that it is not meant for."""

    beams: NDArray[np.int64]
    """(P,) place of the input that sends the light."""
    victims: NDArray[np.int64]
    """(P,) place of the output in which it arrives."""


def pair_rays(
    built: BuiltSwitch, inputs: Ports, outputs: Ports, tilts: tuple[Array, Array], pairs: Pairs
) -> Rays:
    """Return the rays of beams, carried on to the mirrors of other outputs.

    Parameters
    ----------
    built : BuiltSwitch
        The switch.
    inputs, outputs : (C,), (V,) ndarray of int
        Ports that send light, and ports that it may get to.
    tilts : ((C, 2) ndarray, (V, 2) ndarray)
        Of the mirrors A of those inputs, and of the mirrors B of those outputs. [rad]
    pairs : Pairs
        Which input, and which output, by their places in these.
    """
    source, sink = inputs[pairs.beams], outputs[pairs.victims]
    return trace(built, source, sink, tilts[0][pairs.beams].T, tilts[1][pairs.victims].T)


def crosstalk_db(
    rays: Rays, optics: OpticsParams, middle_m: float, *, enough_db: float = np.inf
) -> Array:
    """Return how much less light than it sends a beam leaves in outputs not its own (P,). [dB]

    Connectors, combiners and metal are not in it. At most `NIL_DB`.

    Parameters
    ----------
    rays : Rays
        From `pair_rays`.
    optics : OpticsParams
        Light, waists and mirrors.
    middle_m : float
        From each collimator to the waists. [m]
    enough_db : float
        Losses that are no less than this need not be known: infinity is returned where `least_db`
        says so. [dB]
    """
    wavelength_m = 1e-9 * optics.data_wavelength_nm
    k = 2.0 * np.pi / wavelength_m
    radius_m = 1e-6 * optics.mirror_radius_um
    waist_in_m, waist_out_m = 1e-6 * optics.waist_um, 1e-6 * optics.receiving_waist_um
    away_m = np.hypot(*rays.on_b.centre_m)
    slope = np.hypot(*rays.mode_rad)
    way_m = float(np.median(rays.between_m))
    to_a_m = float(np.median(rays.to_a_m)) - middle_m
    loss = np.full(len(away_m), NIL_DB)
    near = np.flatnonzero(slope < STEEPEST_RAD)
    if not near.size:
        return loss
    # Rounded, so that the field of one instant of a move serves the next ones too.
    way_m, to_a_m = round(way_m, 3), round(to_a_m, 3)
    reach_m = FIELD_REACH_M * np.ceil(1.0 + (float(away_m[near].max()) + radius_m) / FIELD_REACH_M)
    at_m, field = _field(wavelength_m, waist_in_m, to_a_m, radius_m, way_m, float(reach_m))
    if np.isfinite(enough_db):
        bright = least_db(rays, optics, middle_m)[near] < enough_db
        loss[near[~bright]] = np.inf
        near = near[bright]
    q = 1.0 / (middle_m - np.median(rays.to_sink_m) + 1j * np.pi * waist_out_m**2 / wavelength_m)
    size = np.sqrt(-k * q.imag / np.pi)  # of a mode of unit power
    per_m, rise = 1.0 / at_m[1], np.diff(field)  # its points are even
    # How far the phase of beam against mode runs from the middle of the face to its edge.
    runs = k * radius_m * (slope[near] + (away_m[near] + radius_m) / way_m)
    kinds = np.ceil(runs / PHASE_CLASS).astype(int)
    for kind in np.unique(kinds):
        x, y, area = _face(radius_m, PHASE_CLASS * float(kind))
        own = near[kinds == kind]
        for first in range(0, len(own), PAIRS_AT_ONCE):
            p = own[first : first + PAIRS_AT_ONCE]
            at_x = rays.on_b.centre_m[0, p, None] + x
            at_y = rays.on_b.centre_m[1, p, None] + y
            square = at_x**2 + at_y**2
            place = np.sqrt(square) * per_m
            below = place.astype(np.int32)
            beam = field[below] + (place - below) * rise[below]
            mx, my = at_x - rays.mode_m[0, p, None], at_y - rays.mode_m[1, p, None]
            tilt_x, tilt_y = rays.mode_rad[0, p, None], rays.mode_rad[1, p, None]
            # The field's fast phase stands apart, so that the rest can be taken between points.
            phase = square / (2.0 * way_m) - tilt_x * mx - tilt_y * my
            mode = np.exp(-1j * k * (phase - 0.5 * np.conj(q) * (mx**2 + my**2)))
            total = np.abs((beam * mode) @ area) * size
            loss[p] = -20.0 * np.log10(np.maximum(total, 10.0 ** (-0.05 * NIL_DB)))
    return np.maximum(loss, 0.0)


def least_db(rays: Rays, optics: OpticsParams, middle_m: float) -> Array:
    """Return what pairs (P,) lose at least; arguments as of `crosstalk_db`. [dB]

    By the Cauchy-Schwarz inequality no mode takes more light than falls onto its mirror, and none
    more than its own light, sent back, would leave on the mirror that the beam comes from. The
    second is for modes in the middle of their mirrors, hence `SLACK_DB`.
    """
    wavelength_m, radius_m = 1e-9 * optics.data_wavelength_nm, 1e-6 * optics.mirror_radius_um
    way_m = round(float(np.median(rays.between_m)), 3)
    back_m = rays.mode_m - rays.between_m * rays.mode_rad
    found = []
    for waist_um, past_m, away_m in (
        (optics.waist_um, rays.to_a_m, np.hypot(*rays.on_b.centre_m)),
        (optics.receiving_waist_um, rays.to_sink_m, np.hypot(*back_m)),
    ):
        past_waist_m = round(float(np.median(past_m)) - middle_m, 3)
        falls = _falling_db(wavelength_m, 1e-6 * waist_um, past_waist_m, radius_m, way_m, FALLS_M)
        found.append(np.interp(away_m, *falls))
    return np.maximum(found[0], found[1]) - SLACK_DB


@lru_cache(maxsize=64)
def _face(radius_m: float, run_rad: float) -> tuple[Array, Array, Array]:
    """Return points (2, K) over a round face, and the area of each, for a phase that runs so far.

    [m, m, m^2]
    """
    node, weight = np.polynomial.legendre.leggauss(LEAST_RADII + int(0.25 * run_rad))
    turns = LEAST_TURNS + int(run_rad)
    radial = 0.5 * radius_m * (node + 1.0)
    turn = 2.0 * np.pi * np.arange(turns) / turns
    area = (0.5 * radius_m * weight * radial)[:, None] * np.full(turns, 2.0 * np.pi / turns)
    return (
        (radial[:, None] * np.cos(turn)).ravel(), (radial[:, None] * np.sin(turn)).ravel(),
        area.ravel(),
    )  # fmt: skip


def field_behind(
    wavelength_m: float, waist_m: float, past_waist_m: float, radius_m: float, way_m: float,
    reach_m: float,
) -> tuple[Array, NDArray[np.complex128]]:  # fmt: skip
    """Return the field of a round beam behind a round edge, over the distance from its axis.

    Parameters
    ----------
    wavelength_m, waist_m, past_waist_m
        Beam at the edge. [m]
    radius_m : float
        Of the edge. [m]
    way_m : float
        From the edge to where the field is wanted. [m]
    reach_m : float
        Largest distance from the axis. [m]

    Returns
    -------
    (R,) ndarray, (R,) complex ndarray
        Distances, and the field of a beam of unit power there without the phase
        exp(-ik r^2 / (2 way)). Fresnel's integral in polar coordinates (a Hankel transform).
    """
    k = 2.0 * np.pi / wavelength_m
    q = 1.0 / (past_waist_m + 1j * np.pi * waist_m**2 / wavelength_m)
    at_m = np.linspace(0.0, reach_m, max(FIELD_STEPS, int(40 * k * reach_m * radius_m / way_m)))
    node, weight = np.polynomial.legendre.leggauss(
        64 + int(k * radius_m * (reach_m + radius_m) / way_m)
    )
    rho = 0.5 * radius_m * (node + 1.0)
    inside = np.sqrt(-k * q.imag / np.pi) * np.exp(-0.5j * k * rho**2 * (q + 1.0 / way_m))
    terms = 0.5 * radius_m * weight * rho * inside
    field = np.empty(len(at_m), np.complex128)
    for first in range(0, len(at_m), 512):
        part = at_m[first : first + 512]
        field[first : first + 512] = scipy.special.j0(k * np.outer(part, rho) / way_m) @ terms
    field *= k / way_m
    return at_m, field


_field = lru_cache(maxsize=32)(field_behind)


@lru_cache(maxsize=32)
def _falling_db(
    wavelength_m: float, waist_m: float, past_waist_m: float, radius_m: float, way_m: float,
    reach_m: float,
) -> tuple[Array, Array]:  # fmt: skip
    """Return distances of a face from the beam's axis, and how much less than all falls onto it.

    Arguments as of `field_behind`. [m, dB]
    """
    at_m, field = _field(wavelength_m, waist_m, past_waist_m, radius_m, way_m, reach_m)
    power = np.abs(field) ** 2
    away = np.linspace(0.0, reach_m - radius_m, 200)
    x, y, area = _face(radius_m, 40.0)
    falls = np.interp(np.hypot(away[:, None] + x, y), at_m, power) @ area
    return away, -10.0 * np.log10(falls)


def scattered_db(
    roughness_m: float, wavelength_m: float, incidence_rad: float, between_m: float
) -> float:
    """Return the mean loss of light that both mirrors scatter into one other output. [dB]

    Total integrated scatter (4 pi s cos i / wavelength)^2, spread evenly over half a sphere by
    either mirror: the first lights the second over the distance between the arrays, and a fibre's
    mode takes wavelength^2 of the radiance that it sees. An order of magnitude: real scatter is
    stronger near the mirror's direction.
    """
    scatter = (4.0 * np.pi * roughness_m * np.cos(incidence_rad) / wavelength_m) ** 2
    radiance = scatter / (np.pi * between_m**2) * scatter / np.pi
    return float(-10.0 * np.log10(max(radiance * wavelength_m**2, 1e-30)))
