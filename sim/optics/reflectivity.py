"""Reflectivity of a metal over wavelength and angle, by Fresnel's equations."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from sim.foundations.ports import Array


def fresnel_power(index: complex, incidence_rad: ArrayLike) -> tuple[Array, Array]:
    """Return the power (...) that a smooth metal in air reflects, across and in the plane.

    Parameters
    ----------
    index : complex
        Refractive index n - ik of the metal.
    incidence_rad : (...) array_like
        Angle of incidence. [rad]

    Returns
    -------
    (...) ndarray, (...) ndarray
        For the electric field across the plane of incidence (s), and in it (p). [-]

    References
    ----------
    .. [1] M. Born and E. Wolf, Principles of Optics, chapter on the optics of metals (the form is
       from memory; tests check it against the normal-incidence formula and a thick-layer limit).
    """
    cosine = np.cos(np.asarray(incidence_rad, dtype=float))
    inside = np.sqrt(index**2 - (1.0 - cosine**2) + 0j)
    across = (cosine - inside) / (cosine + inside)
    along = (index**2 * cosine - inside) / (index**2 * cosine + inside)
    return np.abs(across) ** 2, np.abs(along) ** 2


def metal_index(metal: Sequence[tuple[float, float, float]], wavelength_nm: float) -> complex:
    """Return n - ik at a wavelength, linear between the rows of the table."""
    at, n, k = np.array(metal).T
    return complex(np.interp(wavelength_nm, at, n), -np.interp(wavelength_nm, at, k))


def relative_reflectivity(
    metal: Sequence[tuple[float, float, float]], wavelength_nm: float, incidence_rad: Array,
    reference_nm: float, reference_rad: float,
) -> Array:  # fmt: skip
    """Return power reflected (...) over that at a reference, mean of both polarisations. [-]

    One where there is no table of the metal.
    """
    if not metal:
        return np.ones_like(incidence_rad)
    here = np.mean(fresnel_power(metal_index(metal, wavelength_nm), incidence_rad), axis=0)
    there = np.mean(fresnel_power(metal_index(metal, reference_nm), reference_rad))
    return np.asarray(here / there)
