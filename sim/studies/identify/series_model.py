"""The model of a time series for least squares, and the fold of a resonance that it starts at."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.foundations.ports import Array
from sim.studies.identify.least_squares import Flags, LeastSquaresFit, Rows
from sim.studies.identify.prior import Prior
from sim.studies.identify.response import FrameTiming, delayed_shapes, sampled_response
from sim.studies.identify.rough import RoughResponse

TAIL = 512
"""Samples beyond the log over which a response may ring in the transform."""
AMBIGUOUS = 9.0
"""Two folds of a resonance cannot be separated if their sums of squares differ by less than this
many variances of a residual."""
RIVAL = 4.0
"""Another fold is tried if its rough misfit is at most this many times the best one's."""
RIVAL_SHARE = 0.05
"""It is tried in any case if this share of the response or less is left, since grids are coarse."""
RESONANCES = 320
DELAY_FRAMES = tuple(0.125 * step for step in range(-8, 14))
"""Delays that are tried, against the believed one. [frames]"""
QUALITIES = (4.0, 8.0, 16.0, 32.0, 64.0)


class SeriesModel:
    """Residuals and slopes of a block of mirrors, one axis; see `least_squares.Model`."""

    def __init__(self, data: Array, own: Array, other: Array, timing: FrameTiming) -> None:
        self._data, self._timing = data, timing
        t = data.shape[1]
        self._length = 1 << (t + TAIL - 1).bit_length()
        self._own = np.fft.rfft(own, self._length)
        self._other = np.fft.rfft(other, self._length)
        self._frequency = np.fft.rfftfreq(self._length, timing.frame_s)
        self._line = np.linspace(-1.0, 1.0, t)

    def __call__(self, p: Array, rows: Rows) -> tuple[Array, Array]:
        """Parameters: log resonance, log quality, delay [s], gain, cross gain, offset, trend."""
        response = sampled_response(
            self._frequency, np.exp(p[:, 0]), np.exp(p[:, 1]), p[:, 2], self._timing
        )
        own, other = self._own[rows], self._other[rows]
        driven = p[:, 3:4] * own + p[:, 4:5] * other
        slopes = np.empty((len(p), self._data.shape[1], 7))
        for i, part in enumerate(
            (response.by_log_resonance, response.by_log_quality, response.by_delay_s)
        ):
            slopes[..., i] = self._back(part * driven)
        slopes[..., 3] = self._back(response.value * own)
        slopes[..., 4] = self._back(response.value * other)
        slopes[..., 5] = 1.0
        slopes[..., 6] = self._line
        return self._data[rows] - (slopes[..., 3:] @ p[:, 3:, None])[..., 0], slopes

    def _back(self, spectrum: NDArray[np.complex128]) -> Array:
        return np.fft.irfft(spectrum, self._length)[:, : self._data.shape[1]]

    def start(self, begin: Array, used: Flags, rows: Rows) -> Array:
        """Return parameters (b, 7) from resonance, quality, delay (b, 3); the rest fits."""
        p = np.zeros((len(begin), 7))
        p[:, :2] = np.log(begin[:, :2])
        p[:, 2] = begin[:, 2]
        _, slopes = self(p, rows)
        linear = np.where(used[..., None], slopes[..., 3:], 0.0)
        for i in range(len(p)):
            data = np.where(used[i], self._data[rows[i]], 0.0)
            p[i, 3:] = np.linalg.lstsq(linear[i], data, rcond=None)[0]
        return p


class Starts(NamedTuple):
    """Where fits begin: rows (B, 3) of resonance [Hz], quality factor and delay [s]."""

    best: Array
    second: Array
    """The best of all other folds."""
    rivals: Flags
    """(B,) whether the second may be right."""

    def of(self, block: slice) -> "Starts":
        """Return those of some mirrors."""
        return Starts(self.best[block], self.second[block], self.rivals[block])


def starts_of(rough: RoughResponse, axis: int, prior: Prior, timing: FrameTiming) -> Starts:
    """Match the rough responses with a grid of resonances, quality factors and delays.

    A mirror's delay may differ from the believed one by frames, and a delay that is wrong by half a
    frame passes for another fold of the resonance. The shapes of the grid serve all mirrors.
    """
    half_hz = 0.5 / timing.frame_s
    nominal = None if prior.resonance_hz is None else prior.resonance_hz[axis]
    low, high = 0.02 * half_hz, 3.0 * half_hz
    if nominal is not None:
        low, high = 0.3 * nominal, 2.5 * nominal
    grid_f = np.geomspace(low, max(high, 1.2 * half_hz), RESONANCES)
    f, q = (g.ravel() for g in np.meshgrid(grid_f, QUALITIES, indexing="ij"))
    delays_s = np.maximum(prior.delay_s + timing.frame_s * np.array(DELAY_FRAMES), 0.0)
    fold = np.floor(f / half_hz).astype(int)
    folds = np.unique(fold)
    measured, weight = rough.response[:, axis, axis], rough.weight
    total = np.maximum((weight * np.abs(measured) ** 2).sum(axis=1), 1e-300)[:, None]
    weighted, mirrors = (weight * measured).conj(), np.arange(len(weight))
    # Of each fold the least cost (folds, M) so far, and the place on the grid that has it.
    least = np.full((len(folds), len(weight)), np.inf)
    place = np.zeros(least.shape, int)
    for k, shape in enumerate(delayed_shapes(rough.frequency_hz, f, q, delays_s, timing)):
        match = np.abs(weighted @ shape.T) ** 2
        power = weight @ (np.abs(shape) ** 2).T
        cost = 1.0 - match / np.maximum(power * total, 1e-300)
        for i, which in enumerate(folds):
            mine = np.flatnonzero(fold == which)
            at = mine[cost[:, mine].argmin(axis=1)]
            better = cost[mirrors, at] < least[i]
            least[i] = np.where(better, cost[mirrors, at], least[i])
            place[i] = np.where(better, k * len(f) + at, place[i])
    order = np.argsort(least, axis=0, kind="stable")
    ranked, place = (np.take_along_axis(a, order, axis=0) for a in (least, place))
    begin = np.stack(
        [np.tile(f, len(delays_s)), np.tile(q, len(delays_s)), np.repeat(delays_s, len(f))], axis=1
    )
    rivals = ranked[1] <= np.maximum(RIVAL * ranked[0], RIVAL_SHARE)
    return Starts(begin[place[0]], begin[place[1]], rivals)


def better_fold(
    found: LeastSquaresFit, rival: LeastSquaresFit, used: Flags, rows: Rows,
    nominal_hz: float | None = None,
) -> tuple[LeastSquaresFit, Flags]:  # fmt: skip
    """Take the better of two folds, mirror by mirror, and say where they cannot be separated.

    Where they cannot, the one nearer to the nominal resonance is taken.

    Parameters
    ----------
    found : LeastSquaresFit
        Of B mirrors.
    rival : LeastSquaresFit
        Of some of them, from another fold.
    used : (B, N) ndarray of bool
        Which residuals count.
    rows : (b,) ndarray of int
        Which mirrors the rival is of.
    nominal_hz : float, optional
        Nominal resonance. [Hz]
    """
    freedom = np.maximum(used[rows].sum(axis=1) - found.parameters.shape[1], 1)
    variance = np.minimum(rival.squares, found.squares[rows]) / freedom
    close = np.abs(rival.squares - found.squares[rows]) < AMBIGUOUS * variance
    apart = np.abs(rival.parameters[:, 0] - found.parameters[rows, 0]) > 0.02
    better = rival.squares < found.squares[rows]
    if nominal_hz is not None:
        away, here = (
            np.abs(log_hz - np.log(nominal_hz))
            for log_hz in (rival.parameters[:, 0], found.parameters[rows, 0])
        )
        better = np.where(close & apart, away < here, better)
    best = found._replace(**{name: part.copy() for name, part in found._asdict().items()})
    for mine, other in zip(best, rival, strict=True):
        mine[rows[better]] = other[better]
    doubtful = np.zeros(len(found.squares), bool)
    doubtful[rows] = close & apart
    return best, doubtful
