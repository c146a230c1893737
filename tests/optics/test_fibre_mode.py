"""The Gaussian that stands for a fibre's own mode, against the mode of a step-index fibre.

The scalar LP01 field is J0(u r) in the core and K0(w r) outside, u^2 + w^2 = V^2, from Bessel's
equation with field and slope continuous at the core's edge (textbook). Radii are in core radii.
"""

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.optimize import brentq, minimize_scalar
from scipy.special import j0, j1, k0, k1

from sim.optics.coupling import gaussian_coupling


def mode(v):
    """Return the field of LP01 as a function of the radius."""
    def edge(u):
        w = np.sqrt(v * v - u * u)
        return u * j1(u) * k0(w) - w * k1(w) * j0(u)

    u = brentq(edge, 1e-6, min(v, 2.4048) - 1e-9)
    w = np.sqrt(v * v - u * u)
    return lambda r: j0(u * r) if r <= 1.0 else j0(u) / k0(w) * k0(w * r)


def shared(field, waist):
    """Return the power that a Gaussian of radius `waist` couples into a round field."""
    def over(f):
        return quad(f, 0.0, 1.0)[0] + quad(f, 1.0, 25.0, limit=200)[0]

    both = over(lambda r: field(r) * np.exp(-((r / waist) ** 2)) * r)
    return both**2 / (over(lambda r: field(r) ** 2 * r) * 0.25 * waist**2)


@pytest.mark.parametrize("off", [0.1, 0.3, 0.5])
def test_what_an_offset_costs_two_fibres_is_what_it_costs_their_gaussians(off):
    """Two like fibres, V = 2.405, one beside the other by a share of the mode radius: that of the
    Gaussian that shares most power with the mode, 1.0905 core radii. (Marcuse's fit, Bell Syst.
    Tech. J. 56 (1977) 703, 0.65 + 1.619 V^-1.5 + 2.879 V^-6, from memory, says 1.0990.)"""
    field = mode(2.405)
    waist = minimize_scalar(
        lambda s: -shared(field, s), bounds=(0.8, 1.8), method="bounded", options={"xatol": 1e-6}
    ).x
    x = np.linspace(-12.0, 12.0, 961)
    radius = np.hypot(*np.meshgrid(x, x))
    table = np.linspace(0.0, 18.0, 4001)
    values = np.array([field(r) for r in table])
    here = np.interp(radius, table, values)
    there = np.interp(np.hypot(*np.meshgrid(x - off * waist, x)), table, values)
    true_db = -20 * np.log10(np.sum(here * there) / np.sum(here**2))
    eta = gaussian_coupling(
        np.array([off * waist * 1e-6, 0.0]), np.zeros(2), wavelength_m=1.31e-6,
        waist_in_m=waist * 1e-6, waist_out_m=waist * 1e-6, gap_m=0.0,
    )  # fmt: skip
    gauss_db = -10 * np.log10(eta)
    # The Gaussian's own loss of the best fit is in neither; tails differ. Within a twentieth.
    assert true_db == pytest.approx(gauss_db, rel=0.05)
