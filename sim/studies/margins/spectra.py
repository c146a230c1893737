"""What disturbs the loops of a scenario, contributor by contributor, as spectral densities."""

from typing import Final, Literal, NamedTuple

import numpy as np

from controllers.analysis.linearise import AMPLITUDES_RAD, amplitudes_for
from sim.assembly.build import Built
from sim.camera.settings import window_origin
from sim.errors import ScenarioError
from sim.loop.history import environment_of
from sim.ports import Array, WithDensity
from sim.results.hold import hold_of
from sim.studies.margins.plant import stiffening_of

BLOCK_FRAMES: Final = 64
NOISE_FRAMES: Final = 40
"""Frames over which the scatter of the readings is measured. [-]"""
BEYOND: Final = 20.0
"""Densities are followed up to this many times half the frame rate. [-]"""


class Contributor(NamedTuple):
    """One source of error, as the density with which it enters, M or 1 mirrors."""

    name: str
    where: Literal["tilt", "reading"]
    """`tilt`: turns the mirror, and the loop takes it out by S. `reading`: only the camera sees
    it, and the loop follows it by T."""
    density: Array
    """(F, M or 1, 2) one-sided, on the frequencies of `Spectra`. [rad^2/Hz]"""
    beyond_rad2: Array
    """(M or 1, 2) variance above half the frame rate, where the loop can do nothing. [rad^2]"""


class Spectra(NamedTuple):
    """All contributors of a scenario in its hold interval."""

    frequency_hz: Array
    """(F,) centres of the bands. [Hz]"""
    width_hz: Array
    """(F,) [Hz]"""
    hold_s: float
    """Length of the hold interval. [s]"""
    reading_rad: Array
    """(2,) rms scatter of one reading. [rad]"""
    contributors: tuple[Contributor, ...]


def spectra_of(built: Built, n_bands: int = 400) -> Spectra:
    """Return the spectra of everything that disturbs a scenario.

    A disturbance that states its density is taken at its word. Every other one is played once,
    alone, and its periodogram over the hold interval is taken: it is the history that the run will
    meet, not an ensemble. The scatter of the readings is measured on frames of
    still spots at the last aims, so that any camera and estimator are covered.

    Parameters
    ----------
    built : Built
        The scenario.
    n_bands : int
        Frequency bands, spaced evenly in the logarithm.

    Returns
    -------
    Spectra

    Raises
    ------
    ScenarioError
        If no reading succeeds, so that there is no scatter to measure.
    """
    parts, metrics = built.parts, built.resolved.metrics
    clock = parts.clock
    run_s = clock.n_frames * clock.frame_s
    hold = hold_of(metrics, 1e3 * run_s)
    from_s, to_s = hold.from_s, hold.to_s
    nyquist_hz = 0.5 / clock.frame_s
    edges = np.geomspace(0.02 / (to_s - from_s), nyquist_hz, n_bands + 1)
    frequency, width = np.sqrt(edges[:-1] * edges[1:]), np.diff(edges)
    sigma = reading_scatter_rad(built)
    flat = np.broadcast_to(sigma**2 / nyquist_hz, (n_bands, 1, 2))
    none = np.zeros((1, 2))
    found = [
        Contributor("measurement noise", "reading", flat, none),
        *_drive(built, frequency, nyquist_hz),
    ]
    for i, disturbance in enumerate(parts.disturbances):
        name = f"{i + 1}. {built.resolved.disturbances[i]['kind']}"
        if isinstance(disturbance, WithDensity):
            density = disturbance.density_rad2_per_hz(frequency)[:, None, None] * np.ones(2)
            found.append(Contributor(name, "tilt", density, none))
        else:
            found += _played(built, i, name, edges, from_s, to_s)
    return Spectra(frequency, width, to_s - from_s, sigma, tuple(found))


def reading_scatter_rad(built: Built) -> Array:
    """Return the rms scatter (2,) of one reading, pooled over the mirrors. [rad]"""
    parts = built.parts
    aim_px = parts.scale_px_per_rad * parts.epochs[-1].aim_rad
    origin = window_origin(aim_px, parts.measurement.window_px)
    samples = len(parts.exposure_weights)
    position = np.ascontiguousarray(
        np.broadcast_to((aim_px - origin).T, (samples, 2, len(aim_px)))
    )
    spots = []
    for frame in range(NOISE_FRAMES):
        reading = parts.measurement.read(position, frame, origin)
        spots.append(np.where((reading.status == 0)[:, None], reading.spot_px, np.nan))
    seen = np.array(spots)[:, np.isfinite(spots).all(axis=(0, 2))]
    if not seen.shape[1]:
        raise ScenarioError(
            "estimator: no mirror's spot could be read at its aim, so there is no scatter to "
            "predict from"
        )
    variance = seen.var(axis=0, ddof=1).mean(axis=0)
    return np.sqrt(variance) / parts.scale_px_per_rad


def proof_sizes(built: Built) -> tuple[float, ...]:
    """Return the sizes of readings at which a scenario's controller must be linear. [rad]

    A microradian, the scatter of its readings, and ten times that; the usual ones where the camera
    has no noise, or cannot read.
    """
    try:
        scatter = float(reading_scatter_rad(built).max())
    except ScenarioError:
        scatter = 0.0
    return amplitudes_for(scatter) if scatter > 0 else AMPLITUDES_RAD


def resonance_gain(built: Built, frequency_hz: Array) -> Array:
    """Return |H|^2 (F, M, 2) of the mirrors for a static tilt asked for. [-]"""
    stiff = stiffening_of(built)
    population = built.parts.population
    w0 = population.resonance_rad_s
    w = 2 * np.pi * frequency_hz[:, None, None]
    h = w0**2 / (w0**2 * stiff - w**2 + 1j * w * w0 / population.quality)
    return np.asarray(np.abs(h) ** 2)


def _drive(built: Built, frequency: Array, nyquist_hz: float) -> list[Contributor]:
    """Steps of the DAC, taken as independent from frame to frame, and noise of the amplifier."""
    parts, params = built.parts, built.resolved.drive
    step = parts.drive.lsb_v * parts.fleet.true_gain.T  # (M, 2)
    if parts.drive.square:
        asked = np.abs(parts.epochs[-1].aim_rad / parts.fleet.true_gain.T)
        step = step * 2 * np.sqrt(np.maximum(asked, parts.drive.lsb_v**2))
    slope = step / parts.drive.lsb_v
    high = np.geomspace(nyquist_hz, BEYOND * nyquist_hz, 1201)
    centre = np.sqrt(high[:-1] * high[1:])
    found = []
    for name, size, shape in (
        (
            "DAC steps",
            step**2 / 12 / nyquist_hz,
            lambda f: np.sinc(0.5 * f / nyquist_hz) ** 2,
        ),
        (
            "amplifier noise",
            (1e-6 * params.noise_uv_per_rthz * slope) ** 2,
            lambda f: 1.0 / (1.0 + (2 * np.pi * f * parts.drive.lag_s) ** 2),
        ),
    ):
        inside = size * shape(frequency)[:, None, None] * resonance_gain(built, frequency)
        outside = size * shape(centre)[:, None, None] * resonance_gain(built, centre)
        beyond = (outside * np.diff(high)[:, None, None]).sum(axis=0)
        found.append(Contributor(name, "tilt", inside, beyond))
    return found


def _played(
    built: Built, which: int, name: str, edges: Array, from_s: float, to_s: float
) -> list[Contributor]:
    """Play one disturbance alone and take periodograms over the hold interval."""
    from dataclasses import replace

    parts = replace(built.parts, disturbances=(built.parts.disturbances[which],))
    clock, n = parts.clock, parts.clock.ticks_per_frame
    acceleration, sensor, rest = [], [], []
    for block in environment_of(parts, BLOCK_FRAMES):
        acceleration.append(block.acceleration[:-1])
        sensor.append(block.sensor[:-1])
        rest.append(block.rest[:-1].transpose(0, 2, 1))
    ticks = slice(round(from_s / clock.tick_s), round(to_s / clock.tick_s))
    frames = slice(ticks.start // n, ticks.stop // n)
    a, s = np.concatenate(acceleration)[ticks], np.concatenate(sensor)[ticks]
    r = np.concatenate(rest)[frames]
    nyquist_hz = edges[-1]
    top = np.geomspace(nyquist_hz, BEYOND * nyquist_hz, 201)
    top = top[top <= 0.5 / clock.tick_s]
    centre = np.sqrt(edges[:-1] * edges[1:])
    found = []
    if a.any():
        imbalance = parts.population.imbalance / parts.population.resonance_rad_s[..., None] ** 2

        def tilted(bands: Array) -> Array:
            at = np.sqrt(bands[:-1] * bands[1:])
            force = np.einsum(
                "mai,fij,maj->fma", imbalance, _banded(a, clock.tick_s, bands), imbalance
            )
            return np.asarray(force * resonance_gain(built, at))

        beyond = (tilted(top) * np.diff(top)[:, None, None]).sum(axis=0)
        found.append(Contributor(f"{name}: imbalance", "tilt", tilted(edges), beyond))
    if s.any():
        density = np.einsum("fii->fi", _banded(s, clock.tick_s, edges))[:, None]
        found.append(Contributor(f"{name}: camera frame", "reading", density, np.zeros((1, 2))))
    if r.any():
        change = np.diff(r, axis=0).reshape(len(r) - 1, -1)
        white = np.einsum(
            "fc->fc", _banded_each(change, clock.frame_s, edges)
        ).reshape(len(centre), *r.shape[1:])
        w = 2 * np.sin(np.pi * centre * clock.frame_s)
        density = white / np.maximum(w, 1e-12)[:, None, None] ** 2
        found.append(Contributor(f"{name}: rest angle", "tilt", density, np.zeros((1, 2))))
    return found


def _banded(x: Array, step_s: float, edges: Array) -> Array:
    """Return the one-sided density matrix (F, c, c), averaged over bands, of a history (N, c)."""
    spectrum = np.fft.rfft(x - x.mean(axis=0), axis=0)[1:]
    power = 2 * step_s / len(x) * (spectrum[:, :, None] * np.conj(spectrum[:, None, :])).real
    flat = _into_bands(power.reshape(len(power), -1), len(x) * step_s, edges)
    return flat.reshape(-1, *power.shape[1:])


def _banded_each(x: Array, step_s: float, edges: Array) -> Array:
    """Return one-sided densities (F, c), averaged over bands, of histories (N, c) on their own.

    The mean is kept: a steady slope of what was differenced belongs into the lowest band.
    """
    spectrum = np.fft.rfft(x, axis=0)
    power = 2 * step_s / len(x) * np.abs(spectrum) ** 2
    power[1] += 0.5 * power[0]
    return _into_bands(power[1:], len(x) * step_s, edges)


def _into_bands(power: Array, length_s: float, edges: Array) -> Array:
    """Spread lines 1/length, 2/length, ... over bands so that the power in all is kept."""
    lines = np.concatenate([[0.0], (np.arange(len(power)) + 1.5) / length_s])
    total = np.concatenate([np.zeros((1, power.shape[1])), np.cumsum(power, axis=0)]) / length_s
    at = np.stack([np.interp(edges, lines, column) for column in total.T], axis=-1)
    return np.diff(at, axis=0) / np.diff(edges)[:, None]
