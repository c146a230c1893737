"""Recursive filters of second order, run over blocks of samples."""

import numpy as np

from sim.foundations.ports import Array
from sim.kernels.installed import installed


def run_section(
    numerator: Array, denominator: Array, memory: Array, values: Array, out: Array | None = None
) -> tuple[Array, Array]:
    """Return (outputs (K, n), memory after them (2, n)) of n signals side by side.

    Transposed direct form II; how the samples are cut into blocks changes no bit.

    Parameters
    ----------
    numerator, denominator : (3,) ndarray
        Coefficients of z^0, z^-1, z^-2; the first of the denominator is one.
    memory : (2, n) ndarray
        Before the first sample; not changed.
    values : (K, n) ndarray
        Inputs.
    out : (K, n) ndarray, optional
        Where the outputs go.

    References
    ----------
    .. [1] A. V. Oppenheim and R. W. Schafer, Discrete-Time Signal Processing, the section on
       transposed forms.
    """
    outputs = np.empty(values.shape) if out is None else out
    after = np.array(memory, dtype=float)
    installed().filter_section(
        outputs, after, np.asarray(values, dtype=float), numerator, denominator
    )
    return outputs, after
