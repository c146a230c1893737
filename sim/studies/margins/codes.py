"""Steps of the DAC, played: the linear loop with its corrections rounded to codes.

Rounding is white noise of a twelfth of a squared step only while the correction moves by about a
step from frame to frame. A loop whose correction moves less holds its code for many frames, or
changes between two of them in a cycle of its own. So a few mirrors are played in discrete time,
with and without rounding, under the same noise.

What rounding leaves is not independent of the rest of the error: a code that stands still does not
follow the noise of the readings either.
"""

from typing import Final, NamedTuple

import numpy as np

from controllers.analysis.linear_loop import Loop, plant_matrices
from controllers.analysis.plant import Plant
from sim.assembly.build import Built
from sim.foundations.ports import Array
from sim.foundations.rng import Stream, normals
from sim.mirror.propagator import Drive
from sim.studies.margins.spectra import STEPS, Spectra

MIRRORS: Final = 40
"""Played at most, spread evenly over the fleet; all others take their mean."""
LEAST_SHARE: Final = 5e-3
"""White steps below this share of all other variance are not played: they are 0.25 % of the rms."""
MOST_FRAMES: Final = 500
LEAST_FRAMES: Final = 100
MOST_WARM_UP: Final = 300
DRAW: Final = 1 << 24
"""Names of the draws, beyond those of any instrument."""


class Codes(NamedTuple):
    """What rounding to codes leaves of the error, pooled over mirrors, against white steps."""

    share: float = 1.0
    """Its variance over that of the white model. [-]"""
    together: float = 0.0
    """Its correlation with the rest of the error. [-]"""
    spread: float = 0.0
    """Standard error of `share` over itself, for the mirrors that were not played. [-]"""


WHITE: Final = Codes()
"""Steps that are white noise, independent of the rest."""


def rounding_under_loop(
    built: Built, loop: Loop, spectra: Spectra, white_rad2: Array, rest_rad2: Array
) -> Codes:
    """Return what rounding leaves under a loop.

    Parameters
    ----------
    built : Built
        The scenario.
    loop : Loop
        Stable loops around its mirrors.
    spectra : Spectra
        From `spectra_of`.
    white_rad2 : (M, 2) ndarray
        What the white model predicts. [rad^2]
    rest_rad2 : (M, 2) ndarray
        What all other contributors leave. [rad^2]
    """
    chosen = np.unique(np.linspace(0, len(white_rad2) - 1, MIRRORS).astype(int))
    expected = float(white_rad2[chosen].sum())
    if expected <= 0 or float(white_rad2.sum()) < LEAST_SHARE * float(rest_rad2.sum()):
        return WHITE
    frame_s = built.parts.clock.frame_s
    moved = built.parts.epoch_frames[-1]
    from_frame = round(1e-3 * built.resolved.metrics.hold_from_ms / frame_s)
    warm = int(np.clip(from_frame - moved, 0, MOST_WARM_UP))
    frames = int(np.clip(round(spectra.hold_s / frame_s), LEAST_FRAMES, MOST_FRAMES))
    rounded, free, turned = _played(built, loop, spectra, chosen, warm + frames)
    apart, rest = (rounded - free)[warm:], (free + turned[:, None])[warm:]
    apart, rest = apart - apart.mean(axis=(0, 1)), rest - rest.mean(axis=(0, 1))
    each = (apart**2).mean(axis=(0, 1)).sum(axis=-1)
    power, others = float(each.sum()), float((rest**2).mean(axis=(0, 1)).sum())
    if power <= 0 or others <= 0:
        return Codes(power / expected)
    both = float((apart * rest).mean(axis=(0, 1)).sum()) / np.sqrt(power * others)
    spread = float(each.std()) / each.mean() / np.sqrt(len(chosen))
    return Codes(power / expected, float(both), float(spread))


def _played(
    built: Built, loop: Loop, spectra: Spectra, chosen: Array, n: int
) -> tuple[Array, Array, Array]:
    """Return the tilt from corrections (n, J, m, 2), with rounding and without.

    With what turns the mirrors besides (n, m, 2), once a frame.
    """
    m = len(chosen)
    both = np.concatenate([chosen, chosen])  # the first half with rounding, the second without
    plant = _some(loop.plant, both)
    A, B, C = plant_matrices(plant)
    control = loop.controller
    if len(control.A) > 1:
        control = type(control)(*(part[both] for part in control))
    parts = built.parts
    asked = _asked_rad(built)[chosen]
    own = np.einsum("maa->ma", plant.mix[:m])
    # What calibration leaves for the loop to take out comes on top of noise and disturbances.
    turned, read = _history(built, spectra, chosen, n)
    disturbed = np.tile(turned + read + (own - own.mean()) * asked, (1, 2, 1))
    gain = parts.fleet.believed_gain.T[chosen]
    rows = np.stack([row[..., 0, :] for row, _ in plant.within])  # (J, 2 m, 2, p)
    now = np.stack([each[..., 0, 0] for _, each in plant.within])
    x, c = np.zeros((2 * m, A.shape[-1], 1)), np.zeros((2 * m, control.A.shape[-1], 1))
    states, sent = np.empty((n, 2 * m, A.shape[-1])), np.empty((n, 2 * m, 2))
    for k in range(n):
        e = -(C @ x + disturbed[k][..., None])
        u = control.C @ c + control.D @ e
        c = control.A @ c + control.B @ e
        u[:m, :, 0] = _coded(asked + u[:m, :, 0], gain, parts.drive) - asked
        states[k], sent[k] = x[..., 0], u[..., 0]
        x = A @ x + B @ u
    held = states.reshape(n, 2 * m, 2, -1)
    asks = np.einsum("mab,kmb->kma", plant.mix, sent)
    tilt = np.einsum("jmap,kmap->kjma", rows, held) + now * asks[:, None]
    return tilt[:, :, :m], tilt[:, :, m:], turned


def _some(plant: Plant, chosen: Array) -> Plant:
    model = plant.model
    return plant._replace(
        model=model._replace(A=model.A[chosen], B=model.B[chosen], C=model.C[chosen]),
        mix=plant.mix[chosen],
        within=tuple((row[chosen], now[chosen]) for row, now in plant.within),
    )


def _asked_rad(built: Built) -> Array:
    """Static tilt (M, 2) that the path asks for at the last aims. [rad]"""
    parts = built.parts
    aim = parts.epochs[-1].aim_rad + parts.population.alignment_rad
    return np.asarray(aim * (1.0 + np.array(built.resolved.mirror.cubic_per_rad2) * aim**2))


def _coded(wanted: Array, gain: Array, drive: Drive) -> Array:
    """Static tilt of the nearest code, as believed; see `sim.kernels.plain.plant`."""
    ratio = wanted / gain
    if drive.square:
        ratio = np.copysign(np.sqrt(np.abs(ratio)), ratio)
    code = np.clip(np.floor(ratio / drive.lsb_v + 0.5), -drive.codes, drive.codes - 1)
    volt = drive.lsb_v * code
    return np.asarray(gain * (volt * np.abs(volt) if drive.square else volt))


def _history(
    built: Built, spectra: Spectra, chosen: Array, n: int
) -> tuple[Array, Array]:
    """Draw everything but the DAC (n, m, 2): sines of random phase, and white noise.

    First what turns the mirrors, then what only the readings show.
    """
    frame_s = built.parts.clock.frame_s
    key = (built.parts.seed, int(Stream.INSTRUMENT))
    f = np.fft.rfftfreq(n, frame_s)[1:]
    edge = spectra.frequency_hz[: spectra.inside]
    power = np.zeros((2, len(f), len(chosen), 2))
    white = np.zeros(2)
    for contributor in spectra.contributors:
        if contributor.name == STEPS or contributor.where == "correction":
            continue
        if contributor.where == "reading":
            white = white + (contributor.density * spectra.width_hz[:, None, None]).sum(axis=(0, 1))
            continue
        density = contributor.density[: spectra.inside]
        density = density[:, chosen] if density.shape[1] > 1 else density
        at = np.clip(np.searchsorted(edge, f), 0, len(edge) - 1)
        power[int(contributor.where == "camera")] += density[at] / (n * frame_s)
    mirrors = built.parts.mirrors[chosen]
    lines = np.zeros((2, len(f) + 1, len(chosen), 2), complex)
    for where, first in enumerate((DRAW, 3 * DRAW)):  # of the mirrors, and of the camera
        draws = normals(key, mirrors[None, :], first + np.arange(2 * len(f))[:, None])
        phasor = (draws[0::2] + 1j * draws[1::2]) / np.sqrt(2.0)
        lines[where, 1:] = phasor * np.sqrt(power[where] / 2.0) * n
    turned, seen = np.fft.irfft(lines, n=n, axis=1)
    noise = normals(key, mirrors[None, :], 2 * DRAW + np.arange(n)[:, None])
    return np.asarray(turned), np.asarray(seen + np.sqrt(white) * noise)
