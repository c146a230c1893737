"""How much faster things age when they are warmer."""

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from sim.foundations.ports import Array

BOLTZMANN_EV_K: Final = 8.617333e-5
"""CODATA 2018. [eV/K]"""
ZERO_C_K: Final = 273.15


def acceleration(temperature_c: ArrayLike, reference_c: float, activation_ev: float) -> Array:
    """Return how much faster a thermally activated process runs than at the reference. [-]

    Parameters
    ----------
    temperature_c : array_like
        [degC]
    reference_c : float
        Where the rate is known. [degC]
    activation_ev : float
        Activation energy. [eV]

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, 8.1.5.1, "Arrhenius".
    """
    here = np.asarray(temperature_c, dtype=float) + ZERO_C_K
    there = reference_c + ZERO_C_K
    return np.asarray(np.exp(activation_ev / BOLTZMANN_EV_K * (1.0 / there - 1.0 / here)))
