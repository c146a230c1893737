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

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import j0

from sim.optics.build_errors import BuiltSwitch
from sim.optics.params import OpticsParams
from sim.optics.rays import Ports, Rays, trace
from sim.ports import Array

RADII: Final = 40
TURNS: Final = 96
"""Points over the face of a mirror: Gauss-Legendre along the radius, even steps along the turn."""
STEEPEST_RAD: Final = 0.04
"""Beams that arrive at a larger angle to the mode are reported as nil: the sum would need more
points, and the light is less than what is scattered."""
NIL_DB: Final = 200.0
"""Largest loss that is reported; it means nothing at all."""
FIELD_STEPS: Final = 400


class Pairs(NamedTuple):
    """P pairs of a beam and an output that it is not meant for."""

    beams: NDArray[np.int64]
    """(P,) connection that sends the light."""
    victims: NDArray[np.int64]
    """(P,) connection in whose output it arrives."""


def all_pairs(count: int) -> Pairs:
    """Return every pair of different connections."""
    beams, victims = np.divmod(np.arange(count * count), count)
    other = beams != victims
    return Pairs(beams[other], victims[other])


def pair_rays(
    built: BuiltSwitch, inputs: Ports, outputs: Ports, tilt_rad: Array, pairs: Pairs
) -> Rays:
    """Return the rays of beams, carried on to the mirrors of other connections.

    Parameters
    ----------
    built : BuiltSwitch
        The switch.
    inputs, outputs : (C,) ndarray of int
        What is connected, or on its way to be.
    tilt_rad : (C, 4) ndarray
        Tilts of both mirrors of each connection. [rad]
    pairs : Pairs
        Which beam, and whose output.
    """
    source, sink = inputs[pairs.beams], outputs[pairs.victims]
    return trace(built, source, sink, tilt_rad[pairs.beams, :2].T, tilt_rad[pairs.victims, 2:].T)


def crosstalk_db(rays: Rays, optics: OpticsParams, middle_m: float) -> Array:
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
    at_m, field = field_behind(
        wavelength_m, waist_in_m, to_a_m, radius_m, way_m, float(away_m[near].max()) + 2 * radius_m
    )
    q = 1.0 / (middle_m - np.median(rays.to_sink_m) + 1j * np.pi * waist_out_m**2 / wavelength_m)
    size = np.sqrt(-k * q.imag / np.pi)  # of a mode of unit power
    node, weight = np.polynomial.legendre.leggauss(RADII)
    radial = 0.5 * radius_m * (node + 1.0)
    turn = 2.0 * np.pi * np.arange(TURNS) / TURNS
    x = (radial[:, None] * np.cos(turn)).ravel()
    y = (radial[:, None] * np.sin(turn)).ravel()
    area = (0.5 * radius_m * weight * radial)[:, None] * np.full(TURNS, 2.0 * np.pi / TURNS)
    area = area.ravel()
    for p in near:
        at_x = rays.on_b.centre_m[0, p] + x
        at_y = rays.on_b.centre_m[1, p] + y
        square = at_x**2 + at_y**2
        r = np.sqrt(square)
        beam = np.interp(r, at_m, field.real) + 1j * np.interp(r, at_m, field.imag)
        mx, my = at_x - rays.mode_m[0, p], at_y - rays.mode_m[1, p]
        phase = 0.5 * q * (mx**2 + my**2) + rays.mode_rad[0, p] * mx + rays.mode_rad[1, p] * my
        mode = size * np.exp(-1j * k * phase)
        # The field's fast phase stands apart, so that the rest can be taken between points.
        total = np.sum(area * beam * np.exp(-0.5j * k * square / way_m) * np.conj(mode))
        loss[p] = -20.0 * np.log10(max(abs(total), 10.0 ** (-0.05 * NIL_DB)))
    return np.maximum(loss, 0.0)


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
        field[first : first + 512] = j0(k * np.outer(part, rho) / way_m) @ terms
    field *= k / way_m
    return at_m, field


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
