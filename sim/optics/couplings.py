"""Many connections of a switch as built: the plain form of `sim.kernels.compiled.couplings`."""

import numpy as np
from numpy.typing import NDArray

from sim.foundations.ports import Array
from sim.optics.beams import collimators_of, mirrors_of
from sim.optics.overlap import Light, coupled
from sim.optics.rays import aim_parts, trace_parts


def couple(
    inputs: NDArray[np.int64], outputs: NDArray[np.int64], change: Array, from_rest: bool, a: Array,
    b: Array, source: Array, sink: Array, axis: Array, middle_m: float, radius_m: float,
    edge: Array, wavelengths: Array, scales: Array, out: Array, band: Array,
) -> None:  # fmt: skip
    """Aim, trace and couple C connections; arguments as of the compiled form."""
    mirror_a, mirror_b = mirrors_of(a[inputs]), mirrors_of(b[outputs])
    lamp, fibre = collimators_of(source[inputs]), collimators_of(sink[outputs])
    tilts = change.T
    if not from_rest:
        tilts = tilts + np.concatenate(aim_parts(mirror_a, mirror_b, lamp, fibre))
    rays = trace_parts(mirror_a, mirror_b, lamp, fibre, axis, tilts[:2], tilts[2:])
    out[:, :4] = tilts.T
    out[:, 4] = rays.path_m
    out[:, 5], out[:, 6] = rays.on_a.incidence_rad, rays.on_b.incidence_rad
    for n, (wavelength_m, scale) in enumerate(zip(wavelengths, scales, strict=True)):
        light = Light(
            float(wavelength_m), scale * lamp.waist_m, scale * fibre.waist_m,
            mirror_a.curvature_per_m, mirror_b.curvature_per_m, radius_m, radius_m, middle_m,
        )  # fmt: skip
        lost = coupled(rays, light, points=edge.shape[1])
        if n == 0:
            out[:, 7:] = np.transpose(lost)
        band[:, n] = lost.pointing_db + lost.curvature_db + lost.mode_db + lost.clipping_db
