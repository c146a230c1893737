"""Recursive filters of second order."""

from sim.kernels.compilation import kernel


@kernel
def filter_section(outputs, memory, values, b, a):  # type: ignore[no-untyped-def]
    """Filter the signals in `values` (K, n); see the plain form."""
    for k in range(values.shape[0]):
        for i in range(values.shape[1]):
            x = values[k, i]
            y = b[0] * x + memory[0, i]
            memory[0, i] = b[1] * x - a[1] * y + memory[1, i]
            memory[1, i] = b[2] * x - a[2] * y
            outputs[k, i] = y
