"""Signals of disturbances and mechanics: recursive filters, and reading between samples."""

import numpy as np

from sim.foundations.ports import Array

BLOCK = 1024
"""Positions read at a time, so that memory stays small."""


def filter_section(outputs: Array, memory: Array, values: Array, b: Array, a: Array) -> None:
    """Filter n signals side by side by a section of second order, in place.

    Parameters
    ----------
    outputs : (K, n) ndarray
        Filled.
    memory : (2, n) ndarray
        Before the first sample, and after the last; changed.
    values : (K, n) ndarray
        Inputs.
    b, a : (3,) ndarray
        Coefficients of z^0, z^-1, z^-2; a[0] is one.
    """
    from scipy.signal import lfilter  # a second of imports, for this alone

    outputs[...], memory[...] = lfilter(b, a, values, axis=0, zi=memory.copy())


def weigh_samples(
    out: Array, values: Array, where: Array, width: float, reach: int, table: Array
) -> None:
    """Sum the samples around each position under a filter.

    Parameters
    ----------
    out : (K, C) ndarray
        Filled.
    values : (N, C) ndarray
        Samples.
    where : (K,) ndarray
        Positions. [sample]
    width : float
        Samples to a lobe of the filter.
    reach : int
        Samples on each side.
    table : (S + 1, 2 L) ndarray
        The filter at parts of a lobe, straight in between; a column for each lobe, the last first.
    """
    steps, lobes = table.shape[0] - 1, table.shape[1] // 2
    for start in range(0, len(where), BLOCK):
        here = where[start : start + BLOCK, None]
        index = np.floor(here).astype(np.int64) - reach + 1 + np.arange(2 * reach)
        at = (here - index) / width
        lobe = np.floor(at).astype(np.int64)
        column = lobes - 1 - lobe
        inside = (column >= 0) & (column < 2 * lobes) & (index >= 0) & (index < len(values))
        place = (at - lobe) * steps
        step = np.minimum(place.astype(np.int64), steps - 1)
        column = np.where(inside, column, 0)
        low, high = table[step, column], table[step + 1, column]
        weights = np.where(inside, low + (place - step) * (high - low), 0.0) / width
        near = values[np.clip(index, 0, len(values) - 1)]
        out[start : start + BLOCK] = np.einsum("ki,kic->kc", weights, near)
