"""The model of a time series for least squares, and the fold of a resonance that it starts at."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.ports import Array
from sim.studies.identify.least_squares import Fit, Flags
from sim.studies.identify.prior import Prior
from sim.studies.identify.response import FrameTiming, sampled_response
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

    def __call__(self, p: Array) -> tuple[Array, Array]:
        """Parameters: log resonance, log quality, delay [s], gain, cross gain, offset, trend."""
        response = sampled_response(
            self._frequency, np.exp(p[:, 0]), np.exp(p[:, 1]), p[:, 2], self._timing
        )
        own = self._back(response.value * self._own)
        other = self._back(response.value * self._other)
        driven = p[:, 3:4] * self._own + p[:, 4:5] * self._other
        slopes = [
            self._back(part * driven)
            for part in (response.by_log_resonance, response.by_log_quality, response.by_delay_s)
        ]
        line = np.broadcast_to(self._line, own.shape)
        modelled = p[:, 3:4] * own + p[:, 4:5] * other + p[:, 5:6] + p[:, 6:7] * line
        return self._data - modelled, np.stack(
            [*slopes, own, other, np.ones_like(own), line], axis=2
        )

    def _back(self, spectrum: NDArray[np.complex128]) -> Array:
        return np.fft.irfft(spectrum, self._length)[:, : self._data.shape[1]]

    def start(self, begin: Array, used: Flags) -> Array:
        """Return parameters (B, 7) from resonance, quality, delay (B, 3); the rest fits."""
        p = np.zeros((len(begin), 7))
        p[:, :2] = np.log(begin[:, :2])
        p[:, 2] = begin[:, 2]
        _, slopes = self(p)
        linear = np.where(used[..., None], slopes[..., 3:], 0.0)
        for i in range(len(p)):
            data = np.where(used[i], self._data[i], 0.0)
            p[i, 3:] = np.linalg.lstsq(linear[i], data, rcond=None)[0]
        return p


class Starts(NamedTuple):
    """Where fits begin: rows (B, 3) of resonance [Hz], quality factor and delay [s]."""

    best: Array
    second: Array
    """The best of all other folds."""
    rivals: Flags
    """(B,) whether the second may be right."""


def starts_of(
    rough: RoughResponse, block: slice, axis: int, prior: Prior, timing: FrameTiming
) -> Starts:
    """Match the rough responses with a grid of resonances, quality factors and delays.

    A mirror's delay may differ from the believed one by frames, and a delay that is wrong by half a
    frame passes for another fold of the resonance.
    """
    half_hz = 0.5 / timing.frame_s
    nominal = None if prior.resonance_hz is None else prior.resonance_hz[axis]
    low, high = 0.02 * half_hz, 3.0 * half_hz
    if nominal is not None:
        low, high = 0.3 * nominal, 2.5 * nominal
    grid_f = np.geomspace(low, max(high, 1.2 * half_hz), RESONANCES)
    f, q = (g.ravel() for g in np.meshgrid(grid_f, QUALITIES, indexing="ij"))
    delays_s = np.maximum(prior.delay_s + timing.frame_s * np.array(DELAY_FRAMES), 0.0)
    measured = rough.response[block, axis, axis]
    weight = rough.weight[block]
    total = (weight * np.abs(measured) ** 2).sum(axis=1)
    costs = []
    for delay_s in delays_s:
        shape = sampled_response(
            rough.frequency_hz, f, q, np.full(len(f), delay_s), timing
        ).value
        match = np.abs((weight * measured) @ shape.conj().T) ** 2
        power = weight @ (np.abs(shape) ** 2).T
        costs.append(1.0 - match / np.maximum(power * total[:, None], 1e-300))
    cost = np.concatenate(costs, axis=1)
    fold = np.tile(np.floor(f / half_hz).astype(int), len(delays_s))
    best = cost.argmin(axis=1)
    elsewhere = np.where(fold[None] == fold[best][:, None], np.inf, cost)
    second = elsewhere.argmin(axis=1)
    begin = np.stack(
        [np.tile(f, len(delays_s)), np.tile(q, len(delays_s)), np.repeat(delays_s, len(f))], axis=1
    )
    rivals = elsewhere.min(axis=1) <= np.maximum(RIVAL * cost.min(axis=1), RIVAL_SHARE)
    return Starts(begin[best], begin[second], rivals)


def chosen(found: Fit, rival: Fit, used: Flags, rivals: Flags) -> tuple[Fit, Flags]:
    """Take the better of two folds, mirror by mirror, and say where they cannot be separated."""
    better = rivals & (rival.squares < found.squares)
    best = Fit(*(
        np.where(better.reshape(-1, *(1,) * (a.ndim - 1)), b, a)
        for a, b in zip(found, rival, strict=True)
    ))  # fmt: skip
    variance = best.squares / np.maximum(used.sum(axis=1) - best.parameters.shape[1], 1)
    close = np.abs(rival.squares - found.squares) < AMBIGUOUS * variance
    apart = np.abs(rival.parameters[:, 0] - found.parameters[:, 0]) > 0.02
    return best, close & apart & rivals
