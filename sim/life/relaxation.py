"""A response with a memory as a sum of exponentials, each of which needs no history to go on.

A stretched exponential is a mixture of exponentials with weights that are not negative (it is
completely monotone), and so is any response of a body that only relaxes. The weights are found by
least squares over many decades of time; what they miss is checked.
"""

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
import scipy

from sim.foundations.errors import ScenarioError
from sim.foundations.ports import Array

PER_DECADE = (4, 8, 16)
"""Densities of the grid of time constants, tried in turn. [1/decade]"""
SHORTEST_S, LONGEST_S = 1.0, 1e10
"""Times between which the sum is held to the response. [s]"""
MISSED = 1e-4
"""Largest difference that is taken, of a final response of one. [-]"""


class Relaxation(NamedTuple):
    """Response to a unit step: weights.sum() - weights @ exp(-t / tau_s)."""

    tau_s: Array
    """(K,) [s]"""
    weights: Array
    """(K,) not negative. [-]"""

    def after(self, time_s: Array) -> Array:
        """Return what is left (T, K) of each part's way, times (T,) after it was begun. [-]"""
        return np.exp(-time_s[:, None] / self.tau_s)

    def response(self, time_s: Array) -> Array:
        """Return the response (T,) to a unit step at time zero. [-]"""
        return np.asarray(self.weights.sum() - self.after(time_s) @ self.weights)


def relaxation_of(step_response: Callable[[Array], Array]) -> Relaxation:
    """Return a response as a sum of exponentials.

    Parameters
    ----------
    step_response : callable
        Response (T,) at times (T,) after a unit step. [-]

    Raises
    ------
    ScenarioError
        If the response is not that of a body that only relaxes, within 1e-4 from 1 s to 300 years.
    """
    decades = np.log10(LONGEST_S / SHORTEST_S)
    missed = np.inf
    for density in PER_DECADE:
        tau_s = np.geomspace(SHORTEST_S / 100.0, 10.0 * LONGEST_S, int((decades + 3) * density) + 1)
        time_s = np.geomspace(SHORTEST_S / 10.0, LONGEST_S, int((decades + 1) * 3 * density) + 1)
        wanted = step_response(time_s)
        rising = -np.expm1(-time_s[:, None] / tau_s)
        weights, _ = scipy.optimize.nnls(rising, wanted, maxiter=10_000)
        used = weights > 0
        found = Relaxation(tau_s[used], weights[used])
        missed = float(np.abs(found.response(time_s) - wanted).max())
        if missed <= MISSED:
            return found
    raise ScenarioError(
        "a response to bias must be that of a body that only relaxes, a mixture of exponentials, "
        f"within {MISSED:g} from 1 s to 300 years (it misses by {missed:.2g})"
    )
