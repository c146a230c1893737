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

from sim.foundations.ports import Array
from sim.studies.identify.estimate import AxisEstimate, Value
from sim.studies.identify.least_squares import Flags, LeastSquaresFit, fit
from sim.studies.identify.log import Series
from sim.studies.identify.prior import Prior
from sim.studies.identify.response import FrameTiming, sampled_response
from sim.studies.identify.rough import projected, spectra
from sim.studies.identify.series_model import SeriesModel, Starts, better_fold, starts_of

BLOCK = 16
"""Mirrors that are fitted at a time."""
HELD_OUT = 0.3
"""Last share of a log that is kept from the fit that is validated on it."""
OUTLIER = 6.0
"""Readings this many robust standard deviations from the model are left out."""
LARGEST_STEP = np.array([0.2, 0.7, np.inf, np.inf, np.inf, np.inf, np.inf])
"""Of logarithms of resonance and quality factor, so that no step leaves the model's range."""
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
    starts = [starts_of(rough, axis, prior, timing) for axis in (0, 1)]
    found: list[AxisEstimate] = []
    count = len(series.mirrors)
    for first in range(0, count, BLOCK):
        block = slice(first, min(first + BLOCK, count))
        for axis in (0, 1):
            nominal_hz = None if prior.resonance_hz is None else prior.resonance_hz[axis]
            found += _fit_block(
                series, inputs, starts[axis].of(block), block, axis, timing, nominal_hz
            )
        if progress is not None:
            progress(block.stop, count)
    return [_relative_cross(found, estimate) for estimate in found]


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
    series: Series, inputs: Array, starts: Starts, block: slice, axis: int, timing: FrameTiming,
    nominal_hz: float | None,
) -> list[AxisEstimate]:  # fmt: skip
    reading = series.reading_rad[:, block, axis].T
    own, other = (
        inputs[:, block, a].T - inputs[:1, block, a].T for a in (axis, 1 - axis)
    )
    seen = np.isfinite(reading)
    data = np.where(seen, reading, 0.0)
    model = SeriesModel(data, own, other, timing)
    used, all_rows = seen.copy(), np.arange(len(data))
    first = model.start(starts.best, used, all_rows)
    found = fit(model, first, used, largest=LARGEST_STEP)
    # Outliers: left out once, by a scale that they cannot move, and the fit made again.
    scale = 1.4826 * np.nanmedian(np.where(used, np.abs(found.residuals), np.nan), axis=1)
    wild = used & (np.abs(found.residuals) > OUTLIER * scale[:, None])
    if wild.any():
        used &= ~wild
        found = fit(model, found.parameters, used, largest=LARGEST_STEP)
    doubtful, tried = np.zeros(len(data), bool), np.flatnonzero(starts.rivals)
    if tried.size:
        second = model.start(starts.second[tried], used[tried], tried)
        rival = fit(model, second, used[tried], steps=25, largest=LARGEST_STEP, which=tried)
        found, doubtful = better_fold(found, rival, used, tried, nominal_hz)
    held = used.copy()
    cut = int(len(series.reading_rad) * (1.0 - HELD_OUT))
    held[:, cut:] = False
    early = fit(model, found.parameters, held, steps=15, largest=LARGEST_STEP)
    left, _ = model(early.parameters, all_rows)
    rest = used & ~held
    explained = _explained(data, left, rest)
    white = _white(found.residuals, used)
    rows = []
    for i, m in enumerate(series.mirrors[block]):
        rows.append(
            _estimate(
                found, i, int(m), axis, used[i], timing, doubtful[i], nominal_hz is not None
            )._replace(
                explained=explained[i], white=white[i], outliers=int(wild[i].sum()),
                missing=int((~seen[i]).sum()),
            )
        )  # fmt: skip
    return rows


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
    found: LeastSquaresFit, i: int, mirror: int, axis: int, used: Flags, timing: FrameTiming,
    doubtful: bool, nominal: bool,
) -> AxisEstimate:  # fmt: skip
    p, sd = found.parameters[i], np.sqrt(np.diag(found.covariance[i]))
    scale = np.array([1.0, 1.0, timing.frame_s, abs(p[3]), abs(p[3])])
    sd[:5] = np.hypot(sd[:5], MODEL_ERROR * scale)
    resonance_hz = float(np.exp(p[0]))
    half_hz = 0.5 / timing.frame_s
    notes, taken = [], "; the one nearer to the nominal is given" if nominal else ""
    if resonance_hz > half_hz:
        alias = abs(resonance_hz - round(resonance_hz * timing.frame_s) / timing.frame_s)
        notes.append(
            f"above half the sample rate: by its fold at {alias:.1f} Hz"
            + (f", and another fold fits as well{taken}" if doubtful else "")
        )
    elif doubtful:
        notes.append(f"another resonance, above half the sample rate, fits as well{taken}")
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
