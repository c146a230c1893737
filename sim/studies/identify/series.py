"""Time series of excitation and reading: the model whose prediction errs least.

The model is that of `response`: held corrections through delay, amplifier and mirror to the mean
over the exposure, both axes into each. In open loop the correction is known and readings carry
the noise, so that least squares on the readings (output error) serve. In closed loop corrections
carry noise of the readings; they are first projected on the excitation, which is free of it.

References
----------
.. [1] L. Ljung, System Identification: Theory for the User, 2nd ed. (1999): prediction-error
   methods, output-error models. From memory.
.. [2] P. M. J. Van den Hof and R. J. P. Schrama, "An indirect method for transfer function
   estimation from closed loop data", Automatica 29 (1993) 1523: the two stages. From memory.
"""

from collections.abc import Callable
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.signal import csd

from sim.ports import Array
from sim.studies.identify.estimate import AxisEstimate, Value
from sim.studies.identify.least_squares import Fit, Flags, fit
from sim.studies.identify.log import Series
from sim.studies.identify.prior import Prior
from sim.studies.identify.response import FrameTiming, sampled_response

BLOCK = 16
"""Mirrors that are fitted at a time."""
TAIL = 512
"""Samples beyond the log over which a response may ring in the transform."""
PROJECTION = 160
"""Samples of excitation that explain a correction in closed loop."""
HELD_OUT = 0.3
"""Last share of a log that is kept from the fit that is validated on it."""
OUTLIER = 6.0
"""Readings this many robust standard deviations from the model are left out."""
AMBIGUOUS = 9.0
"""Two folds of a resonance cannot be separated if their sums of squares differ by less than this
many variances of a residual."""
RIVAL = 4.0
"""Another fold is tried if its rough misfit is at most this many times the best one's."""
LARGEST_STEP = np.array([0.2, 0.7, np.inf, np.inf, np.inf, np.inf, np.inf])
"""Of logarithms of resonance and quality factor, so that no step leaves the model's range."""
RESONANCES = 160
QUALITIES = (4.0, 8.0, 16.0, 32.0, 64.0)


MODEL_ERROR = np.array([2e-4, 5e-3, 1e-3, 3e-3, 3e-3])
"""Standard deviations of what the model leaves out, of log resonance, log quality, delay in
frames, gain and cross gain (both as shares of the gain): how tilt goes between the instants at
which an exposure takes it, and the scale of the readings."""


class Shown(NamedTuple):
    """One response, measured and modelled, to be drawn."""

    name: str
    frequency_hz: NDArray[Any]
    measured: NDArray[np.complex128]
    model: NDArray[np.complex128]
    coherence: Array


class RoughResponse(NamedTuple):
    """Rough frequency responses (M, 2, 2, F), to start from, and their weights (M, F)."""

    frequency_hz: NDArray[Any]
    response: NDArray[np.complex128]
    weight: Array
    coherence: Array
    """(M, 2, F) share of each reading's power that the excitations explain."""


def fit_series(
    series: Series, prior: Prior, progress: Callable[[int, int], None] | None = None
) -> list[AxisEstimate]:
    """Return what a time series tells about each of its mirrors and axes.

    Parameters
    ----------
    series : Series
    prior : Prior
        Timing, and where to look for the resonance.
    progress : callable, optional
        Called with (mirrors done, mirrors).
    """
    timing = prior.timing(series.period_s)
    inputs = projected(series) if series.closed else series.correction_rad
    rough = spectra(series)
    found: list[AxisEstimate] = []
    count = len(series.mirrors)
    for first in range(0, count, BLOCK):
        block = slice(first, min(first + BLOCK, count))
        for axis in (0, 1):
            found += _fit_block(series, inputs, rough, block, axis, prior, timing)
        if progress is not None:
            progress(block.stop, count)
    return [_relative_cross(found, estimate) for estimate in found]


def projected(series: Series) -> Array:
    """Return the part (T, M, 2) of the corrections that the excitation explains. [rad]"""
    t = len(series.excitation_rad)
    lags = min(PROJECTION, t // 8)
    out = np.empty_like(series.correction_rad)
    same = np.ptp(series.excitation_rad, axis=1).max() == 0.0
    design = _lagged(series.excitation_rad[:, 0], lags) if same else None
    for m in range(len(series.mirrors)):
        columns = _lagged(series.excitation_rad[:, m], lags) if design is None else design
        if m == 0 or design is None:
            basis, _ = np.linalg.qr(columns)
        out[:, m] = basis @ (basis.T @ series.correction_rad[:, m])
    return out


def _lagged(excitation: Array, lags: int) -> Array:
    """Return (T, 2 lags + 1): both excitations at each lag, and a constant."""
    t = len(excitation)
    columns = [np.ones(t)]
    for axis in (0, 1):
        for lag in range(lags):
            columns.append(np.concatenate([np.zeros(lag), excitation[: t - lag, axis]]))
    return np.stack(columns, axis=1)


def spectra(series: Series) -> RoughResponse:
    """Return rough responses from averaged cross spectra with the excitation."""
    length = min(512, len(series.reading_rad) // 4)
    reading = np.where(np.isfinite(series.reading_rad), series.reading_rad, 0.0)
    rate = 1.0 / series.period_s

    def cross(a: Array) -> NDArray[np.complex128]:
        """(M, axis of a, axis of the excitation, F)."""
        pairs = [
            [csd(series.excitation_rad[:, :, j], a[:, :, i], rate, nperseg=length, axis=0)[1].T
             for j in (0, 1)]
            for i in (0, 1)
        ]  # fmt: skip
        return np.array(pairs).transpose(2, 0, 1, 3)

    to_u, to_y = cross(series.correction_rad), cross(reading)
    frequency = np.fft.rfftfreq(length, series.period_s)[1:]
    u, y = to_u[..., 1:].transpose(0, 3, 1, 2), to_y[..., 1:].transpose(0, 3, 1, 2)
    size = np.abs(np.linalg.det(u))
    good = size > 1e-6 * size.max(axis=1, keepdims=True)
    safe = np.where(good[..., None, None], u, np.eye(2))
    response = np.where(good[..., None, None], y @ np.linalg.inv(safe), 0.0)
    return RoughResponse(
        frequency,
        response.transpose(0, 2, 3, 1),
        np.where(good, np.sqrt(size), 0.0),
        _coherence(series, reading, to_y, length)[..., 1:],
    )


def _coherence(
    series: Series, reading: Array, to_y: NDArray[np.complex128], length: int
) -> Array:
    """Multiple coherence (M, 2, F) of each reading with both excitations."""
    rate = 1.0 / series.period_s
    r = series.excitation_rad
    among = np.array(
        [[csd(r[:, :, j], r[:, :, i], rate, nperseg=length, axis=0)[1].T for j in (0, 1)]
         for i in (0, 1)]
    ).transpose(2, 3, 0, 1)  # fmt: skip
    own = csd(reading, reading, rate, nperseg=length, axis=0)[1].real.transpose(1, 2, 0)
    across = to_y.transpose(0, 3, 1, 2)
    floor = 1e-12 * np.trace(among, axis1=2, axis2=3).real.max()
    inverse = np.linalg.inv(among + floor * np.eye(2))
    explained = np.einsum("mfai,mfij,mfaj->maf", across, inverse, across.conj()).real
    return np.clip(explained / np.maximum(own, 1e-300), 0.0, 1.0)


def least_explained(series: Series, estimates: list[AxisEstimate], prior: Prior) -> Shown:
    """Return the response of the axis whose held-out data the model explains least."""
    worst = min(estimates, key=lambda e: 1.0 if e.explained is None else e.explained)
    column = int(np.flatnonzero(series.mirrors == worst.mirror)[0])
    here = slice(column, column + 1)
    one = Series(
        series.period_s, series.mirrors[here], series.excitation_rad[:, here],
        series.correction_rad[:, here], series.reading_rad[:, here], series.reference_rad[here],
    )  # fmt: skip
    rough = spectra(one)
    assert worst.resonance_hz and worst.quality and worst.delay_s and worst.gain
    model = worst.gain.value * sampled_response(
        rough.frequency_hz, np.array([worst.resonance_hz.value]), np.array([worst.quality.value]),
        np.array([worst.delay_s.value]), prior.timing(series.period_s),
    ).value[0]  # fmt: skip
    seen = rough.weight[0] > 1e-3 * rough.weight[0].max()
    return Shown(
        f"Mirror {worst.mirror}, axis {'xy'[worst.axis]}", rough.frequency_hz[seen],
        rough.response[0, worst.axis, worst.axis, seen], model[seen],
        rough.coherence[0, worst.axis, seen],
    )  # fmt: skip


def _fit_block(
    series: Series, inputs: Array, rough: RoughResponse, block: slice, axis: int, prior: Prior,
    timing: FrameTiming,
) -> list[AxisEstimate]:  # fmt: skip
    reading = series.reading_rad[:, block, axis].T
    own, other = (
        inputs[:, block, a].T - inputs[:1, block, a].T for a in (axis, 1 - axis)
    )
    seen = np.isfinite(reading)
    data = np.where(seen, reading, 0.0)
    model = _Model(data, own, other, timing)
    starts = _starts(rough, block, axis, prior, timing)
    used = seen.copy()
    first = model.start(starts.best, prior.delay_s, used)
    found = fit(model, first, used, largest=LARGEST_STEP)
    # Outliers: left out once, by a scale that they cannot move, and the fit made again.
    scale = 1.4826 * np.nanmedian(np.where(used, np.abs(found.residuals), np.nan), axis=1)
    wild = used & (np.abs(found.residuals) > OUTLIER * scale[:, None])
    if wild.any():
        used &= ~wild
        found = fit(model, found.parameters, used, largest=LARGEST_STEP)
    doubtful = np.zeros(len(data), bool)
    if starts.rivals.any():
        second = model.start(starts.second, prior.delay_s, used)
        rival = fit(model, second, used, steps=25, largest=LARGEST_STEP)
        found, doubtful = _chosen(found, rival, used, starts.rivals)
    held = used.copy()
    cut = int(len(series.reading_rad) * (1.0 - HELD_OUT))
    held[:, cut:] = False
    early = fit(model, found.parameters, held, steps=15, largest=LARGEST_STEP)
    left, _ = model(early.parameters)
    rest = used & ~held
    explained = _explained(data, left, rest)
    white = _white(found.residuals, used)
    rows = []
    for i, m in enumerate(series.mirrors[block]):
        rows.append(
            _estimate(found, i, int(m), axis, used[i], timing, doubtful[i])._replace(
                explained=explained[i], white=white[i], outliers=int(wild[i].sum()),
                missing=int((~seen[i]).sum()),
            )
        )  # fmt: skip
    return rows


class _Model:
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

    def start(self, resonance_quality: Array, delay_s: float, used: Flags) -> Array:
        """Return parameters (B, 7) from resonance and quality (B, 2); the rest by linear fit."""
        p = np.zeros((len(resonance_quality), 7))
        p[:, :2] = np.log(resonance_quality)
        p[:, 2] = delay_s
        _, slopes = self(p)
        linear = np.where(used[..., None], slopes[..., 3:], 0.0)
        for i in range(len(p)):
            data = np.where(used[i], self._data[i], 0.0)
            p[i, 3:] = np.linalg.lstsq(linear[i], data, rcond=None)[0]
        return p


class _Starts(NamedTuple):
    """Where fits begin: pairs (B, 2) of resonance and quality factor."""

    best: Array
    second: Array
    """The best of all other folds."""
    rivals: Flags
    """(B,) whether the second may be right."""


def _starts(
    rough: RoughResponse, block: slice, axis: int, prior: Prior, timing: FrameTiming
) -> _Starts:
    """Match the rough responses with a grid of resonances and quality factors."""
    half_hz = 0.5 / timing.frame_s
    nominal = None if prior.resonance_hz is None else prior.resonance_hz[axis]
    low, high = 0.02 * half_hz, 3.0 * half_hz
    if nominal is not None:
        low, high = 0.3 * nominal, 2.5 * nominal
    grid_f = np.geomspace(low, max(high, 1.2 * half_hz), RESONANCES)
    f, q = (g.ravel() for g in np.meshgrid(grid_f, QUALITIES, indexing="ij"))
    shape = sampled_response(
        rough.frequency_hz, f, q, np.full(len(f), prior.delay_s), timing
    ).value
    measured = rough.response[block, axis, axis]
    weight = rough.weight[block]
    cross = np.abs((weight * measured) @ shape.conj().T) ** 2
    power = weight @ (np.abs(shape) ** 2).T
    total = (weight * np.abs(measured) ** 2).sum(axis=1)
    cost = 1.0 - cross / np.maximum(power * total[:, None], 1e-300)
    fold = np.floor(f / half_hz).astype(int)
    best = cost.argmin(axis=1)
    elsewhere = np.where(fold[None] == fold[best][:, None], np.inf, cost)
    second = elsewhere.argmin(axis=1)
    pairs = np.stack([f, q], axis=1)
    rivals = elsewhere.min(axis=1) <= RIVAL * cost.min(axis=1)
    return _Starts(pairs[best], pairs[second], rivals)


def _chosen(found: Fit, rival: Fit, used: Flags, rivals: Flags) -> tuple[Fit, Flags]:
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


def _explained(data: Array, residuals: Array, rows: Flags) -> Array:
    n = np.maximum(rows.sum(axis=1), 1)
    mean = np.where(rows, data, 0.0).sum(axis=1) / n
    spread = np.where(rows, (data - mean[:, None]) ** 2, 0.0).sum(axis=1)
    return 1.0 - np.where(rows, residuals**2, 0.0).sum(axis=1) / np.maximum(spread, 1e-300)


def _white(residuals: Array, used: Flags, lags: int = 25) -> Array:
    """Share of the first `lags` residual correlations inside the 95 % band of white noise."""
    r = np.where(used, residuals, 0.0)
    power = np.maximum((r**2).sum(axis=1), 1e-300)
    inside = np.zeros(len(r))
    for lag in range(1, lags + 1):
        pairs = (used[:, lag:] & used[:, :-lag]).sum(axis=1)
        rho = (r[:, lag:] * r[:, :-lag]).sum(axis=1) / power
        inside += np.abs(rho) <= 1.96 / np.sqrt(np.maximum(pairs, 1))
    return inside / lags


def _estimate(
    found: Fit, i: int, mirror: int, axis: int, used: Flags, timing: FrameTiming, doubtful: bool
) -> AxisEstimate:
    p, sd = found.parameters[i], np.sqrt(np.diag(found.covariance[i]))
    scale = np.array([1.0, 1.0, timing.frame_s, abs(p[3]), abs(p[3])])
    sd[:5] = np.hypot(sd[:5], MODEL_ERROR * scale)
    resonance_hz = float(np.exp(p[0]))
    half_hz = 0.5 / timing.frame_s
    notes = []
    if resonance_hz > half_hz:
        alias = abs(resonance_hz - round(resonance_hz * timing.frame_s) / timing.frame_s)
        notes.append(
            f"resonance above half the sample rate: known by its fold at {alias:.1f} Hz"
            + (", and another fold fits as well" if doubtful else "")
        )
    elif doubtful:
        notes.append("another resonance, above half the sample rate, fits as well")
    if not found.converged[i]:
        notes.append("the fit did not settle")
    noise = float(np.sqrt(found.squares[i] / max(int(used.sum()) - len(p), 1)))
    return AxisEstimate(
        mirror, axis,
        resonance_hz=Value(resonance_hz, float(sd[0]), log=True),
        quality=Value(float(np.exp(p[1])), float(sd[1]), log=True),
        gain=Value(float(p[3]), float(sd[3])),
        delay_s=Value(float(p[2]), float(sd[2])),
        cross_axis=Value(float(p[4]), float(sd[4])),
        noise_rad=noise,
        notes=tuple(notes),
    )  # fmt: skip


def _relative_cross(found: list[AxisEstimate], estimate: AxisEstimate) -> AxisEstimate:
    """Turn tilt per correction of the other axis into the share of the other axis' drive."""
    other = next(
        e for e in found if e.mirror == estimate.mirror and e.axis == 1 - estimate.axis
    )
    assert estimate.cross_axis is not None and other.gain is not None
    if abs(other.gain.value) < 5.0 * other.gain.sd:
        return estimate._replace(cross_axis=None)
    return estimate._replace(cross_axis=estimate.cross_axis.scaled(1.0 / other.gain.value))
