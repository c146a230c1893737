"""Whether spare ports can take the place of bad ones."""

from collections import Counter

import numpy as np
from numpy.typing import NDArray

from sim.foundations.ports import Array

Pairs = frozenset[tuple[int, int]]


def rescue(
    bad: NDArray[np.bool_], spare_inputs: int, spare_outputs: int
) -> tuple[tuple[int, ...], tuple[int, ...]] | None:
    """Return ports to leave dark so that no bad connection is left, or None if there are none.

    A port with more bad connections than the other side has spares must itself be left dark; what
    remains after that is small, and is searched in full.

    Parameters
    ----------
    bad : (N, M) ndarray of bool
        Connections that miss a limit.
    spare_inputs, spare_outputs : int
        Ports that need not be in service.

    Returns
    -------
    (inputs, outputs) or None
    """
    pairs = frozenset(
        (int(i), int(j)) for i, j in zip(*np.nonzero(bad), strict=True)
    )
    found = _cover(pairs, spare_inputs, spare_outputs)
    if found is None:
        return None
    return tuple(sorted(found[0])), tuple(sorted(found[1]))


def least_largest(
    pairs: NDArray[np.int64], loss_db: Array, spare_inputs: int, spare_outputs: int
) -> float | None:
    """Return the largest loss that is left once the best choice of spare ports is dark. [dB]

    Parameters
    ----------
    pairs : (K, 2) ndarray of int
        Inputs and outputs of connections.
    loss_db : (K,) ndarray
        What they lose.
    spare_inputs, spare_outputs : int
        Ports that need not be in service.

    Returns
    -------
    float or None
        None if no connection is left.
    """
    levels = np.unique(loss_db)
    low, high = -1, len(levels) - 1  # the level at `high` can be kept, that at `low` not known to
    while high - low > 1:
        middle = (low + high) // 2
        if _kept(pairs[loss_db > levels[middle]], spare_inputs, spare_outputs):
            high = middle
        else:
            low = middle
    if high < 0 or (high == 0 and _kept(pairs, spare_inputs, spare_outputs)):
        return None
    return float(levels[high])


def _kept(bad: NDArray[np.int64], spare_inputs: int, spare_outputs: int) -> bool:
    """Whether spare ports can be chosen so that none of these connections is left."""
    found = frozenset((int(i), int(j)) for i, j in bad)
    return _cover(found, spare_inputs, spare_outputs) is not None


def _cover(
    pairs: Pairs, inputs_left: int, outputs_left: int
) -> tuple[frozenset[int], frozenset[int]] | None:
    if not pairs:
        return frozenset(), frozenset()
    if inputs_left == 0 and outputs_left == 0:
        return None
    by_input, by_output = (Counter(pair[side] for pair in pairs) for side in (0, 1))
    # No more than this many bad connections can be covered by what is left.
    best_in = sum(n for _, n in by_input.most_common(inputs_left))
    best_out = sum(n for _, n in by_output.most_common(outputs_left))
    if best_in + best_out < len(pairs):
        return None
    i, n_in = by_input.most_common(1)[0]
    j, n_out = by_output.most_common(1)[0]
    options = []
    if n_in > outputs_left:
        options = [(0, i)]
    elif n_out > inputs_left:
        options = [(1, j)]
    else:
        # One end of any bad connection must go: take one of the port with most.
        a, b = next(pair for pair in sorted(pairs) if pair[0] == i)
        options = [(0, a), (1, b)]
    for side, port in options:
        if (inputs_left, outputs_left)[side] == 0:
            continue
        rest = frozenset(pair for pair in pairs if pair[side] != port)
        found = _cover(rest, inputs_left - (side == 0), outputs_left - (side == 1))
        if found is not None:
            one = frozenset([port])
            return (found[0] | one, found[1]) if side == 0 else (found[0], found[1] | one)
    return None
