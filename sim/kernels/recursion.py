"""Recursive filters of second order, run over blocks of samples."""

import numpy as np

from sim.kernels.compilation import kernel
from sim.ports import Array


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
    _section(outputs, after, np.asarray(values, dtype=float), numerator, denominator)
    return outputs, after


@kernel
def _section(outputs, memory, values, b, a):  # type: ignore[no-untyped-def]
    for k in range(values.shape[0]):
        for i in range(values.shape[1]):
            x = values[k, i]
            y = b[0] * x + memory[0, i]
            memory[0, i] = b[1] * x - a[1] * y + memory[1, i]
            memory[1, i] = b[2] * x - a[2] * y
            outputs[k, i] = y
