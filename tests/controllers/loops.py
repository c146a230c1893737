"""Closed loops for the tests: a controller around a plant given by matrices or by plain delay."""

from typing import Any, NamedTuple

import numpy as np

from sim.foundations.ports import Array, Setpoint, TiltReading

FAR_RAD = 1e150


class Margins(NamedTuple):
    """Read from a loop's sampled frequency response; frequencies in rad per frame."""

    phase_deg: float
    gain: float
    peak: float
    peak_at: float
    first_one_at: float


def delayed(controller: Any, taps: Array, disturbance: Array, noise: Array) -> tuple[Array, Array]:
    """Return (tilt, correction), each (T,).

    tilt[k] = sum_i taps[i] u[k-1-i] + disturbance[k]; the reading of frame k is tilt[k] + noise[k],
    the reference zero. One mirror, both axes alike.
    """
    n = len(disturbance)
    tilt, sent = np.zeros(n), np.zeros(n + len(taps))
    state = controller.initial_state(1)
    wide = np.full((1, 2), FAR_RAD)
    setpoint = Setpoint(np.zeros((1, 2)), -wide, wide)
    ok = np.zeros(1, dtype=np.uint8)
    for k in range(n):
        past = sent[k : k + len(taps)][::-1]  # u[k-1], u[k-2], ...
        tilt[k] = taps @ past + disturbance[k]
        state, u = controller.step(
            state, TiltReading(np.full((1, 2), tilt[k] + noise[k]), ok), setpoint
        )
        sent[k + len(taps)] = u[0, 0]
    return tilt, sent[len(taps) :]


def frames(d: int) -> Array:
    """Return the taps of a plant that shows a correction d frames later."""
    return np.eye(d)[d - 1]


def pulse(n: int) -> Array:
    """Return 1, 0, 0, ..."""
    return np.eye(1, n)[0]


def sensitivity(controller: Any, taps: Array, n: int) -> Array:
    """Return the (n,) response of the tilt to a pulse on the tilt."""
    tilt, _ = delayed(controller, taps, pulse(n), np.zeros(n))
    assert np.abs(tilt[-n // 8 :]).max() < 1e-10, "the response has not died away"
    return tilt


def noise_gain(controller: Any, taps: Array, n: int) -> float:
    """Return the variance of the tilt over that of white reading noise."""
    tilt, _ = delayed(controller, taps, np.zeros(n), pulse(n))
    assert np.abs(tilt[-n // 8 :]).max() < 1e-10, "the response has not died away"
    return float(tilt @ tilt)


def growth(controller: Any, taps: Array) -> float:
    """Return the factor per frame by which a loop's response grows in the long run."""
    tilt, _ = delayed(controller, taps, pulse(600), np.zeros(600))
    early, late = tilt[200:400], tilt[400:600]
    return float((late @ late / (early @ early)) ** (1.0 / 400.0))


def margins(response: Array, size: int = 2**20) -> Margins:
    """Return what the sensitivity's pulse response says about the loop gain L = 1/S - 1."""
    w = 2.0 * np.pi * np.arange(size // 2 + 1) / size
    s = np.fft.rfft(response, size)
    w, s = w[1:], s[1:]
    loop = 1.0 / s - 1.0
    phase = np.unwrap(np.angle(loop))
    phase -= 2.0 * np.pi * np.round((phase[0] + np.pi / 2.0) / (2.0 * np.pi))
    cut = int(np.argmax(np.abs(loop) < 1.0))
    turn = int(np.argmax(phase < -np.pi))
    peak = int(np.argmax(np.abs(s)))
    one = int(np.argmax(np.abs(s) >= 1.0))

    def between(i: int, level: Array, value: Array) -> float:
        """Interpolate `value` to where `level` crosses zero just before i."""
        share = level[i - 1] / (level[i - 1] - level[i])
        return float(value[i - 1] + share * (value[i] - value[i - 1]))

    return Margins(
        phase_deg=np.degrees(np.pi + between(cut, np.abs(loop) - 1.0, phase)),
        gain=1.0 / between(turn, phase + np.pi, np.abs(loop)),
        peak=float(np.abs(s)[peak]),
        peak_at=float(w[peak]),
        first_one_at=between(one, np.abs(s) - 1.0, w),
    )


def on_model(
    controller: Any, model: Any, disturbance_rad: Array, noise_rad: Array, gain: float = 1.0
) -> tuple[Array, Array]:
    """Return (mismatch, correction), each (T, M, 2), on a sampled mirror with a drive gain.

    The mismatch is tilt minus reference: the mirror's answer to the corrections plus disturbance.
    """
    n, n_mirrors = disturbance_rad.shape[:2]
    x = np.zeros((n_mirrors, 2, model.A.shape[-1], 1))
    mismatch_rad, sent_rad = np.empty((2, n, n_mirrors, 2))
    state = controller.initial_state(n_mirrors)
    wide = np.full((n_mirrors, 2), FAR_RAD)
    setpoint = Setpoint(np.zeros((n_mirrors, 2)), -wide, wide)
    ok = np.zeros(n_mirrors, dtype=np.uint8)
    for k in range(n):
        mismatch_rad[k] = gain * (model.C @ x)[..., 0, 0] + disturbance_rad[k]
        reading = TiltReading(mismatch_rad[k] + noise_rad[k], ok)
        state, sent_rad[k] = controller.step(state, reading, setpoint)
        x = model.A @ x + model.B * sent_rad[k][..., None, None]
    return mismatch_rad, sent_rad
