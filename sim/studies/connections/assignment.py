"""Which free output each input should take, so that mirrors travel least."""

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment
from scipy.sparse import csr_array
from scipy.sparse.csgraph import maximum_bipartite_matching

from sim.foundations.ports import Array
from sim.studies.connections.coupler import Coupler, Ports


def travel_rad(
    coupler: Coupler, inputs: Ports, outputs: Ports, at_a_rad: Array, at_b_rad: Array
) -> Array:
    """Return the travel (N, M) of connecting each input with each output: both mirrors' together.

    Parameters
    ----------
    coupler : Coupler
        The switch.
    inputs, outputs : (N,), (M,) ndarray of int
        Ports to be connected, and those to choose from.
    at_a_rad, at_b_rad : (N, 2), (M, 2) ndarray
        Where their mirrors are now. [rad]
    """
    i, j = np.divmod(np.arange(len(inputs) * len(outputs)), len(outputs))
    aims = coupler.couple(inputs[i], outputs[j], np.zeros((len(i), 4)), band=False).tilt_rad
    way_a = np.hypot(*(aims[:, :2] - at_a_rad[i]).T)
    way_b = np.hypot(*(aims[:, 2:] - at_b_rad[j]).T)
    return np.asarray((way_a + way_b).reshape(len(inputs), len(outputs)))


def least_sum(cost: Array) -> NDArray[np.int64]:
    """Return the column (N,) of each row that makes the sum of the costs least (N <= M)."""
    rows, columns = linear_sum_assignment(cost)
    found = np.empty(len(cost), np.int64)
    found[rows] = columns
    return found


def least_maximum(cost: Array) -> NDArray[np.int64]:
    """Return the column (N,) of each row that makes the largest cost least, then the sum.

    The threshold is found by halving; a matching says whether one will do.
    """
    steps = np.unique(cost)
    low, high = 0, len(steps) - 1
    while low < high:
        middle = (low + high) // 2
        allowed = csr_array((cost <= steps[middle]).astype(np.int8))
        if np.all(maximum_bipartite_matching(allowed, perm_type="column") >= 0):
            high = middle
        else:
            low = middle + 1
    barred = 1.0 + cost.sum()
    return least_sum(np.where(cost <= steps[low], cost, barred))
