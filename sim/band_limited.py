"""Read a sampled signal at other times, by a windowed sinc that also keeps aliases out."""

import numpy as np
from numba import prange
from numpy.typing import ArrayLike

from sim.compiled import kernel
from sim.ports import Array

LOBES = 20
"""Zero crossings of the sinc on each side of its centre."""
KAISER_BETA = 9.0
"""Shape of the window: stop band near -90 dB."""
_TABLE_STEPS = 4096
_TABLE_AT = np.arange(-LOBES * _TABLE_STEPS, LOBES * _TABLE_STEPS + 1) / _TABLE_STEPS
_TABLE = np.r_[0.0, np.sinc(_TABLE_AT) * np.kaiser(len(_TABLE_AT), KAISER_BETA), 0.0, 0.0]


def read_between(samples: ArrayLike, position: ArrayLike, *, stride: float = 1.0) -> Array:
    """Return the band-limited signal through evenly spaced samples, at any position.

    The samples count as zero outside their range. Near an end where they do not fade to zero the
    answer rings. Counted against the lower of the two rates, sines up to 0.4 of it pass within
    0.01 % and what lies above 0.6 of it is held to 0.01 %; between, it falls off. With a
    stride of at most one the answer goes through the samples.

    Parameters
    ----------
    samples : (N, C) array_like
        C signals side by side.
    position : (K,) array_like
        Where to read, in samples from the first.
    stride : float
        Distance between wanted positions, in samples: above one the output is the coarser and
        the filter is set to its rate.

    Returns
    -------
    (K, C) ndarray

    Raises
    ------
    ValueError
        If `samples` is not (N, C), `position` not (K,), or `stride` not positive.

    References
    ----------
    .. [1] A. V. Oppenheim and R. W. Schafer, Discrete-Time Signal Processing: the sections on
       Kaiser-window design and on changing the sampling rate.
    """
    values = np.asarray(samples, dtype=float)
    where = np.asarray(position, dtype=float)
    if values.ndim != 2:
        raise ValueError(f"samples must be (N, C), got shape {values.shape}")
    if where.ndim != 1:
        raise ValueError(f"position must be (K,), got shape {where.shape}")
    if not (np.isfinite(stride) and stride > 0):
        raise ValueError(f"stride must be positive and finite, got {stride}")
    width = max(1.0, stride)  # samples to a lobe
    reach = int(np.ceil(LOBES * width))
    out = np.zeros((len(where), values.shape[1]))
    _weighted(out, np.ascontiguousarray(values), where, width, reach, _TABLE)
    return out


@kernel
def _weighted(out, values, where, width, reach, table):  # type: ignore[no-untyped-def]
    """Sum the samples around each position under the filter, (K, C)."""
    middle = (table.size - 2) // 2
    for k in prange(where.size):
        first = int(np.floor(where[k])) - reach + 1
        for index in range(max(first, 0), min(first + 2 * reach, values.shape[0])):
            place = (where[k] - index) * (_TABLE_STEPS / width) + middle
            if 0.0 <= place < table.size - 1:
                step = int(place)
                weight = table[step] + (place - step) * (table[step + 1] - table[step])
                for c in range(values.shape[1]):
                    out[k, c] += weight / width * values[index, c]
