"""Reading between samples under a filter."""

import numpy as np

from sim.foundations.ports import Array
from sim.kernels.compilation import inlined, kernel
from sim.kernels.compiled.blocks import next_block
from sim.kernels.threads import share

BLOCK = 1024
"""Positions that a thread takes at a time."""
POSITION_S = 250e-9
"""About what one takes. [s]"""


def weigh_samples(
    out: Array, values: Array, where: Array, width: float, reach: int, table: Array
) -> None:
    """Sum the samples around each position under a filter; see the plain form."""
    blocks, block_s = -(-len(where) // BLOCK), BLOCK * POSITION_S
    share(_weighted, blocks, block_s, out, values, where, width, reach, table)


@kernel
def _weighted(queue, out, values, where, width, reach, table):  # type: ignore[no-untyped-def]
    start = BLOCK * next_block(queue)
    while start < where.size:
        for k in range(start, min(start + BLOCK, where.size)):
            _one(out, k, values, where[k], width, reach, table)
        start = BLOCK * next_block(queue)


@inlined
def _one(out, k, values, where, width, reach, table):  # type: ignore[no-untyped-def]
    """One position."""
    steps = table.shape[0] - 1
    nearest = int(np.floor(where))
    start = nearest - reach + 1
    weights = np.zeros(2 * reach)
    if width == 1.0:  # one row of the table serves all samples
        place = (where - nearest) * steps
        step = min(int(place), steps - 1)
        for i in range(weights.size):
            here = table[step, i]
            weights[i] = here + (place - step) * (table[step + 1, i] - here)
    else:
        for i in range(weights.size):
            at = (where - (start + i)) / width
            lobe = int(np.floor(at))
            column = table.shape[1] // 2 - 1 - lobe
            if 0 <= column < table.shape[1]:
                place = (at - lobe) * steps
                step = min(int(place), steps - 1)
                here = table[step, column]
                there = table[step + 1, column]
                weights[i] = (here + (place - step) * (there - here)) / width
    first = max(start, 0)
    last = min(start + 2 * reach, values.shape[0])
    for c in range(values.shape[1]):
        total = 0.0
        for index in range(first, last):
            total += weights[index - start] * values[index, c]
        out[k, c] = total
