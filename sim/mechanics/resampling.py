"""Read a sampled signal at other times, by a windowed sinc that also keeps aliases out."""

from functools import cache

import numpy as np
from numpy.typing import ArrayLike

from sim.foundations.ports import Array
from sim.kernels.installed import installed

LOBES = 20
"""Zero crossings of the sinc on each side of its centre."""
KAISER_BETA = 9.0
"""Shape of the window: stop band near -90 dB."""
_STEPS = 4096


def read_between(samples: ArrayLike, position: ArrayLike, *, stride: float = 1.0) -> Array:
    """Return the band-limited signal through evenly spaced samples, at any position.

    The samples count as zero outside their range. Near an end where they do not fade to zero the
    result rings. Counted against the lower of the two rates, sines up to 0.4 of it pass within
    0.01 % and what lies above 0.6 of it is held to 0.01 %; between, it falls off. With a
    stride of at most one the result goes through the samples.

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
    installed().weigh_samples(out, np.ascontiguousarray(values), where, width, reach, _table())
    return out


@cache
def _table() -> Array:
    """Return the filter in rows (S + 1, 2 L): at parts of a lobe, a column for each lobe.

    The last lobe comes first.
    """
    at = np.arange(_STEPS + 1)[:, None] / _STEPS + (LOBES - 1 - np.arange(2 * LOBES))
    window = np.i0(KAISER_BETA * np.sqrt(np.maximum(1.0 - (at / LOBES) ** 2, 0.0)))
    inside = np.abs(at) < LOBES
    return np.where(inside, np.sinc(at) * window / np.i0(KAISER_BETA), 0.0)
