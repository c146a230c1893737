"""The table of equivalent noise: fitted to readings of frames, and checked against others.

The spots of the frames lie where the loop keeps them: most within `CORE_PX` of the window's
middle, the others all over the window. Mean error and covariance are each a sum of two parts, one
that repeats with the pixels and one that changes slowly over the window. Readings that took no part
in the fit decide whether that describes the estimator, and how far from the middle.
"""

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.camera.equivalent_noise import NoiseTable, meaningless
from sim.camera.places import spread
from sim.foundations.ports import Array, SpotReading, SpotStatus

SPOTS = 4096
"""Spots in a batch. [-]"""
FIT_BATCHES = 24
CHECK_BATCHES = 8
CORE_SHARE = 0.75
"""Part of the spots that lie near the window's middle. [-]"""
CORE_PX = 0.75
"""Windows are read about the expected spot in whole pixels, so that it lies within half a pixel of
the middle; the rest is for the pointing error. [px]"""
LEAST_REACH_PX = 1.0
MOST_REACH_PX = 8.0
SHRINK = 0.8
"""Where a table does not hold, a smaller one is tried, by this factor."""
NODES_PER_PX = 16
HARMONICS = 3
"""The part that repeats with the pixels is kept up to this harmonic; what is above is refused."""
DEGREE = 6
"""Total degree of the polynomial that changes over the window."""
LEAST_VARIANCE = 0.05
"""Least variance along any direction, as a part of the mean variance: guards the square root."""
CORE_BINS = 8
"""Bins to a side of the pixel in the middle, for the check."""
SECTORS = 8
"""Bins of each ring around it."""
CORE_LIMITS = (0.05, 0.10)
"""Most misfit where spots are kept: of the mean [noise], of the variance [relative]."""
RING_LIMITS = (0.20, 0.30)
"""Most misfit farther out, where spots only pass."""
CHANCE = 3.0
"""Standard errors of a misfit that are put down to chance."""


class _Sample(NamedTuple):
    """Readings of one set of batches."""

    offset_px: Array
    """(N, 2) place from the window's middle."""
    error_px: Array
    """(N, 2)."""
    ok: NDArray[np.bool_]

    @property
    def distance_px(self) -> Array:
        """Larger of the two distances from the middle."""
        return np.abs(self.offset_px).max(axis=1)

    def within(self, reach_px: float) -> "_Sample":
        """Return those near enough to the middle."""
        near = self.distance_px <= reach_px
        return _Sample(self.offset_px[near], self.error_px[near], self.ok[near])


class _Fit(NamedTuple):
    """Coefficients of the mean error and of the covariance (xx, yx, yy), over `_terms`."""

    reach_px: float
    middle_px: Array
    mean: Array
    covariance: Array

    def at(self, offset_px: Array) -> tuple[Array, Array]:
        """Return mean error (N, 2) and root of the covariance (N, 3) at places. [px]"""
        terms = _terms(offset_px, self.middle_px, self.reach_px)
        return terms @ self.mean, _root(terms @ self.covariance)


def fill_table(window_px: tuple[int, int], read: Callable[[Array, int], SpotReading]) -> NoiseTable:
    """Return the table of an estimator and a camera.

    Parameters
    ----------
    window_px : (int, int)
        Window (H, W). [px]
    read : callable
        ``read(spots_px, batch)`` gives the readings of frames of spots at rest, (2, K) in window
        pixels; the batch's number names the noise.

    Returns
    -------
    NoiseTable
        Over the largest square about the middle where it agrees with the frames.

    Raises
    ------
    ScenarioError
        If spots near the middle are not all read, or what their readings depend on is more than
        the table can hold.
    """
    height, width = window_px
    middle = 0.5 * np.array([width - 1, height - 1])
    farthest = min(MOST_REACH_PX, float(middle.min()))
    batches = [_places(batch, farthest) for batch in range(FIT_BATCHES + CHECK_BATCHES)]
    readings = [
        read(np.ascontiguousarray((middle + places).T), batch)
        for batch, places in enumerate(batches)
    ]
    offset = np.concatenate(batches)
    ok = np.concatenate([r.status for r in readings]) == SpotStatus.OK
    error = np.concatenate([r.spot_px for r in readings]) - middle - offset
    every = _Sample(offset, error, ok)
    reach = _read_within_px(every, farthest)
    first, last = slice(FIT_BATCHES * SPOTS), slice(FIT_BATCHES * SPOTS, None)
    fitted, checked = (_Sample(offset[s], error[s], ok[s]) for s in (first, last))
    while True:
        fit = _fitted(fitted.within(reach), middle, reach)
        fault = _fault(fit, checked.within(reach))
        if fault is None:
            break
        if reach <= LEAST_REACH_PX:
            raise meaningless(fault)
        reach = max(SHRINK * reach, LEAST_REACH_PX)
    light = np.concatenate([r.flux_dn for r in readings])[every.distance_px <= CORE_PX]
    return _tabulated(fit, float(light.mean()))


def _places(batch: int, farthest_px: float) -> Array:
    """Places of a batch from the window's middle: most near it, the others anywhere. (K, 2) [px]"""
    near = round(CORE_SHARE * SPOTS)
    parts = ((near, min(CORE_PX, farthest_px)), (SPOTS - near, farthest_px))
    return np.concatenate([spread(count, reach, batch * count) for count, reach in parts])


def _read_within_px(sample: _Sample, farthest_px: float) -> float:
    """Return the distance from the middle up to which every spot was read. [px]"""
    lost_px = sample.distance_px[~sample.ok]
    reach = farthest_px if not lost_px.size else float(np.nextafter(lost_px.min(), 0.0))
    if reach < LEAST_REACH_PX:
        near = sample.within(LEAST_REACH_PX)
        raise meaningless(
            f"{int((~near.ok).sum())} of {len(near.ok)} spots within {LEAST_REACH_PX:g} px of the "
            "window's middle are not read, and a table has no lost spots"
        )
    return reach


def _terms(offset_px: Array, middle_px: Array, reach_px: float) -> Array:
    """Return what the table is a sum of, at places (N, 2): (N, K)."""
    phase = 2 * np.pi * (middle_px + offset_px)
    waves = [np.ones_like(phase)]
    for k in range(1, HARMONICS + 1):
        waves += [np.cos(k * phase), np.sin(k * phase)]
    powers = [(offset_px / reach_px) ** k for k in range(DEGREE + 1)]
    columns = [a[:, 0] * b[:, 1] for a in waves for b in waves]
    columns += [
        powers[i][:, 0] * powers[j][:, 1]
        for i in range(DEGREE + 1)
        for j in range(DEGREE + 1 - i)
        if i + j > 0
    ]
    return np.stack(columns, axis=1)


def _fitted(sample: _Sample, middle_px: Array, reach_px: float) -> _Fit:
    """Least squares: first the mean error, then the products of what is left."""
    terms = _terms(sample.offset_px, middle_px, reach_px)
    inverse = np.linalg.pinv(terms.T @ terms, rcond=1e-12, hermitian=True)
    mean = inverse @ (terms.T @ sample.error_px)
    left = sample.error_px - terms @ mean
    products = np.stack([left[:, 0] ** 2, left[:, 0] * left[:, 1], left[:, 1] ** 2], axis=1)
    return _Fit(reach_px, middle_px, mean, inverse @ (terms.T @ products))


def _root(covariance: Array) -> Array:
    """Return lower Cholesky factors (N, 3) of covariances (N, 3), held positive."""
    floor = LEAST_VARIANCE * covariance[:, [0, 2]].mean()
    xx = np.maximum(covariance[:, 0], floor)
    yy = np.maximum(covariance[:, 2], floor)
    root_xx = np.sqrt(xx)
    root_yx = covariance[:, 1] / root_xx
    return np.stack([root_xx, root_yx, np.sqrt(np.maximum(yy - root_yx**2, floor))], axis=1)


def _fault(fit: _Fit, sample: _Sample) -> str | None:
    """Return what is wrong with a fit, from readings that it has not seen; None if nothing is."""
    mean, root = fit.at(sample.offset_px)
    left = sample.error_px - mean
    x = left[:, 0] / root[:, 0]
    white = np.stack([x, (left[:, 1] - root[:, 1] * x) / root[:, 2]], axis=1)
    ring = np.ceil(sample.distance_px - 0.5).astype(np.int64)
    for number in range(int(ring.max()) + 1):
        here = ring == number
        places, limits = sample.offset_px[here], RING_LIMITS if number else CORE_LIMITS
        bins = _sectors(places) if number else _squares(places)
        for (most, chance), limit, what in zip(
            _misfits(white[here], bins), limits, ("mean error", "noise"), strict=True
        ):
            if most - CHANCE * chance > limit**2:
                return (
                    f"within {min(number + 0.5, fit.reach_px):g} px of the window's middle the "
                    f"estimator's {what} depends on more than a table can hold (off by "
                    f"{100 * np.sqrt(most):.0f} %, limit {100 * limit:.0f} %)"
                )
    return None


def _squares(offset_px: Array) -> NDArray[np.int64]:
    at = np.clip(((offset_px + 0.5) * CORE_BINS).astype(np.int64), 0, CORE_BINS - 1)
    return np.asarray(CORE_BINS * at[:, 1] + at[:, 0])


def _sectors(offset_px: Array) -> NDArray[np.int64]:
    turn = np.arctan2(offset_px[:, 1], offset_px[:, 0]) / (2 * np.pi) + 0.5
    return np.minimum((SECTORS * turn).astype(np.int64), SECTORS - 1)


def _misfits(white: Array, bins: NDArray[np.int64]) -> list[tuple[float, float]]:
    """Return mean square misfit and its standard error, of mean and of variance, over bins.

    The part that a finite number of readings puts into a bin's mean is taken off.
    """
    count = np.bincount(bins)
    full = np.flatnonzero(count >= 2)
    found = []
    for values in (white, white**2 - 1):
        square, chance = [], []
        for axis in range(2):
            mean = np.bincount(bins, values[:, axis])[full] / count[full]
            spread_2 = np.bincount(bins, values[:, axis] ** 2)[full] / count[full] - mean**2
            own = spread_2 / (count[full] - 1)
            square.append(mean**2 - own)
            chance.append(2 * own**2)
        n = 2 * len(full)
        found.append((float(np.sum(square)) / n, float(np.sqrt(np.sum(chance))) / n))
    return found


def _tabulated(fit: _Fit, light_dn: float) -> NoiseTable:
    """Return the values of a fit at the nodes of a square that just covers its reach."""
    half = int(np.ceil(fit.reach_px * NODES_PER_PX))
    line = np.arange(-half, half + 1) / NODES_PER_PX
    y, x = np.meshgrid(line, line, indexing="ij")
    places = np.clip(np.stack([x.ravel(), y.ravel()], axis=1), -fit.reach_px, fit.reach_px)
    mean, root = fit.at(places)
    side = len(line)
    first_x, first_y = fit.middle_px - half / NODES_PER_PX
    return NoiseTable(
        np.ascontiguousarray(mean.reshape(side, side, 2)),
        np.ascontiguousarray(root.reshape(side, side, 3)),
        light_dn,
        float(first_x),
        float(first_y),
        float(NODES_PER_PX),
        fit.reach_px,
    )
