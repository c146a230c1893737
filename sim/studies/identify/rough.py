"""Rough frequency responses of a time series, to start fits from, and closed loops projected."""

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.signal import csd

from sim.foundations.ports import Array
from sim.studies.identify.log import Series

PROJECTION = 160
"""Samples of excitation that explain a correction in closed loop."""


class RoughResponse(NamedTuple):
    """Rough frequency responses (M, 2, 2, F), to start from, and their weights (M, F)."""

    frequency_hz: NDArray[Any]
    response: NDArray[np.complex128]
    weight: Array
    coherence: Array
    """(M, 2, F) share of each reading's power that the excitations explain."""


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
