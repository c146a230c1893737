"""Frequency responses, free decays and staircases: one mirror and axis at a time."""

import numpy as np

from sim.foundations.ports import Array
from sim.studies.identify.estimate import AxisEstimate, Value
from sim.studies.identify.least_squares import Rows, fit
from sim.studies.identify.log import Curve
from sim.studies.identify.prior import Prior
from sim.studies.identify.response import continuous_response

ONE = np.zeros(1, dtype=np.intp)
"""The one data set of a curve."""
NO_COHERENCE = 0.02
"""Relative standard deviation that starts a fit without coherence; the interval then comes from
the residuals."""


def fit_response(curve: Curve, prior: Prior) -> AxisEstimate:
    """Fit k w^2 / (s^2 + s w / Q + w^2) with delay and amplifier to a measured response.

    Least squares on log magnitude and phase, each row by its own standard deviation. The phase of
    a row is taken next to the model's, so that whole turns do not matter.
    """
    measured, frequency = np.asarray(curve.y), curve.x
    sd = np.full(len(frequency), NO_COHERENCE) if curve.sd is None else curve.sd
    peak = frequency[np.abs(measured).argmax()]
    rest = np.abs(measured[: max(len(measured) // 8, 1)]).mean()
    quality = max(float(np.abs(measured).max() / rest), 0.8)

    def model(p: Array, rows: Rows = ONE) -> tuple[Array, Array]:
        r = continuous_response(
            frequency, np.exp(p[:, 0]), np.exp(p[:, 1]), p[:, 2], prior.amplifier_s
        )
        apart = np.log(measured / (np.exp(p[:, 3:4]) * r.value))
        shares = np.stack(
            [r.by_log_resonance, r.by_log_quality, r.by_delay_s, r.value], axis=2
        ) / r.value[..., None]  # fmt: skip
        residuals = np.concatenate([apart.real / sd, apart.imag / sd], axis=1)
        weight = np.concatenate([1 / sd, 1 / sd])[None, :, None]
        return residuals, weight * np.concatenate([shares.real, shares.imag], axis=1)

    start = np.array([[np.log(peak), np.log(quality), prior.delay_s, np.log(rest)]])
    found = fit(model, start, np.ones((1, 2 * len(frequency)), bool))
    p = found.parameters[0]
    spread = np.diag(found.covariance[0]).copy()
    if curve.sd is not None:
        # Rows have stated deviations: the Fisher information alone, unless residuals exceed them.
        excess = found.squares[0] / max(2 * len(frequency) - 4, 1)
        _, slopes = model(found.parameters)
        fisher = np.linalg.inv(slopes[0].T @ slopes[0])
        spread = np.diag(fisher) * max(excess, 1.0)
    deviations = np.sqrt(spread)
    notes = () if curve.sd is not None else ("no coherence given: intervals from the residuals",)
    return AxisEstimate(
        curve.mirror, curve.axis,
        resonance_hz=Value(float(np.exp(p[0])), float(deviations[0]), log=True),
        quality=Value(float(np.exp(p[1])), float(deviations[1]), log=True),
        gain=Value(float(np.exp(p[3])), float(deviations[3]), log=True),
        delay_s=Value(float(p[2]), float(deviations[2])),
        notes=notes,
    )  # fmt: skip


def fit_decay(curve: Curve) -> AxisEstimate:
    """Fit an offset and a decaying oscillation, exp(-w t / 2Q) at the damped frequency.

    Starts from the largest line of the spectrum and the logarithmic decrement of the envelope.
    """
    t, tilt = curve.x - curve.x[0], np.asarray(curve.y, dtype=float)
    step = float(np.median(np.diff(t)))
    even = np.interp(np.arange(0.0, t[-1] + step / 2, step), t, tilt - tilt.mean())
    padded = 8 * len(even)
    line = np.abs(np.fft.rfft(even, padded))
    frequency = float(np.fft.rfftfreq(padded, step)[1:][line[1:].argmax()])
    half = len(even) // 2
    early, late = np.abs(even[:half]).max(), max(np.abs(even[half:]).max(), 1e-12)
    rate = max(np.log(early / late) / (half * step), 0.3 / t[-1])
    start = np.array([[np.log(frequency), np.log(max(np.pi * frequency / rate, 0.6)), 0, 0, 0]])

    def model(p: Array, rows: Rows = ONE) -> tuple[Array, Array]:
        w, q = 2 * np.pi * np.exp(p[0, 0]), max(np.exp(p[0, 1]), 0.5001)
        root = np.sqrt(1.0 - 0.25 / q**2)
        envelope = np.exp(-0.5 * w / q * t)
        c, s = envelope * np.cos(w * root * t), envelope * np.sin(w * root * t)
        a, b, offset = p[0, 2:]
        value = a * c + b * s
        turned = b * c - a * s
        by_w = -0.5 * w / q * t * value + w * root * t * turned
        by_q = 0.5 * w / q * t * value + w * t * turned * 0.25 / (q**2 * root)
        slopes = np.stack([by_w, by_q, c, s, np.ones_like(t)], axis=1)
        return (tilt - value - offset)[None], slopes[None]

    _, slopes = model(start)
    start[0, 2:] = np.linalg.lstsq(slopes[0, :, 2:], tilt, rcond=None)[0]
    found = fit(model, start, np.ones((1, len(t)), bool))
    p, sd = found.parameters[0], np.sqrt(np.diag(found.covariance[0]))
    swings = float(np.exp(p[0]) * t[-1])
    notes = (f"decay of {swings:.1f} periods only",) if swings < 3 else ()
    return AxisEstimate(
        curve.mirror, curve.axis,
        resonance_hz=Value(float(np.exp(p[0])), float(sd[0]), log=True),
        quality=Value(float(np.exp(p[1])), float(sd[1]), log=True),
        noise_rad=float(np.sqrt(found.squares[0] / max(len(t) - 5, 1))),
        notes=notes,
    )  # fmt: skip


def fit_staircase(curve: Curve, *, square: bool) -> AxisEstimate:
    """Fit tilt (1 + k3 tilt^2) = g v + offset; v is squared, its sign kept, if `square`."""
    v = curve.x * np.abs(curve.x) if square else curve.x
    tilt = np.asarray(curve.y, dtype=float)
    scale = max(float(np.abs(tilt).max()), 1e-12)

    def model(p: Array, rows: Rows = ONE) -> tuple[Array, Array]:
        g, k3, offset = p[0]
        wanted = g * v + offset
        y = wanted.copy()
        for _ in range(30):  # Newton on y + k3 y^3 = wanted
            y = y - (y + k3 * y**3 - wanted) / (1.0 + 3.0 * k3 * y**2)
        slope = 1.0 / (1.0 + 3.0 * k3 * y**2)
        slopes = np.stack([slope * v, -(y**3) * slope, slope], axis=1)
        return ((tilt - y) / scale)[None], slopes[None] / scale

    start = np.zeros((1, 3))
    start[0, 0] = float(v @ tilt / max(v @ v, 1e-300))
    found = fit(model, start, np.ones((1, len(v)), bool))
    p, sd = found.parameters[0], np.sqrt(np.diag(found.covariance[0]))
    return AxisEstimate(
        curve.mirror, curve.axis,
        tilt_per_volt_rad=Value(float(p[0]), float(sd[0])),
        cubic_per_rad2=Value(float(p[1]), float(sd[1])),
        noise_rad=scale * float(np.sqrt(found.squares[0] / max(len(v) - 3, 1))),
    )  # fmt: skip
