"""What disturbs the loops of a scenario, contributor by contributor, as spectral densities."""

from typing import Final, Literal, NamedTuple

import numpy as np

from controllers.analysis.linearise import AMPLITUDES_RAD, amplitudes_for
from sim.assembly.build import Built
from sim.camera.settings import window_origin
from sim.foundations.errors import ScenarioError
from sim.foundations.ports import Array, Clock, WithDensity
from sim.foundations.ports.linear_law import RoundsLaw
from sim.loop.history import environment_of
from sim.loop.sight import expected_px, true_px
from sim.results.hold import hold_of
from sim.studies.margins.plant import stiffening_of

STEPS: Final = "DAC steps"
ROUNDING: Final = "rounding of the law"
BLOCK_FRAMES: Final = 64
NOISE_FRAMES: Final = 40
"""Frames over which the scatter of the readings is measured. [-]"""
BEYOND: Final = 20.0
"""Densities are followed up to this many times half the frame rate. [-]"""
SUBBANDS: Final = 8
"""Frequencies in each band at which a resonance is looked at. [-]"""
FOLDS: Final = 8
"""Multiples of the frame rate from which a density is folded. [-]"""


class Contributor(NamedTuple):
    """One source of error, as the density with which it enters, M or 1 mirrors."""

    name: str
    where: Literal["tilt", "camera", "reading", "correction"]
    """`tilt`: turns the mirror, and the loop takes it out by S. `camera`: moves what the camera
    sees, and the loop follows it by T. `reading`: the same, but drawn anew for each reading.
    `correction`: drawn anew for each correction, inside the loop."""
    density: Array
    """(F + G, M or 1, 2) one-sided, on the frequencies of `Spectra`; of readings and corrections
    zero above half the frame rate. [rad^2/Hz]"""


class Spectra(NamedTuple):
    """All contributors of a scenario in its hold interval."""

    frequency_hz: Array
    """(F + G,) centres of the bands: F up to half the frame rate, G beyond, where the loop meets
    them folded. [Hz]"""
    width_hz: Array
    """(F + G,) [Hz]"""
    inside: int
    """F."""
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
    low = np.geomspace(0.02 / (to_s - from_s), nyquist_hz, n_bands + 1)
    high = np.geomspace(nyquist_hz, BEYOND * nyquist_hz, n_bands // 2 + 1)
    edges = np.concatenate([low, high[1:]])
    frequency, width = np.sqrt(edges[:-1] * edges[1:]), np.diff(edges)
    sigma = reading_scatter_rad(built)
    flat = np.zeros((len(frequency), 1, 2))
    flat[:n_bands] = sigma**2 / nyquist_hz
    gain = _gain_in_bands(built, edges)
    found = [Contributor("measurement noise", "reading", flat), *_drive(built, frequency, gain)]
    if isinstance(parts.controller, RoundsLaw):
        found.append(_rounding(parts.controller, frequency, n_bands, clock.frame_s))
    for i, disturbance in enumerate(parts.disturbances):
        name = f"{i + 1}. {built.resolved.disturbances[i]['kind']}"
        if isinstance(disturbance, WithDensity):
            asked = _at_edges(disturbance, frequency, clock.frame_s)[:, None, None]
            found.append(Contributor(name, "tilt", asked * gain))
        else:
            found += _played(built, i, name, edges, gain, from_s, to_s)
    return Spectra(frequency, width, n_bands, to_s - from_s, sigma, tuple(found))


def _rounding(
    controller: RoundsLaw, frequency: Array, inside: int, frame_s: float
) -> Contributor:
    """What whole numbers add to the correction of a law."""
    within = controller.rounding_density(frequency[:inside], frame_s)
    density = np.zeros((len(frequency), *within.shape[1:]))
    density[:inside] = within
    return Contributor(ROUNDING, "correction", density)


def _at_edges(disturbance: WithDensity, frequency: Array, frame_s: float) -> Array:
    """Return the density (F,) of a rest angle that is drawn at frame edges and straight between.

    Drawing folds the stated density at the frame rate; straight lines weigh it by sinc^4.
    """
    folded = np.abs(frequency - np.rint(frequency * frame_s) / frame_s)
    folded = np.maximum(folded, frequency[0])
    total = disturbance.density_rad2_per_hz(folded)
    for n in range(1, FOLDS + 1):
        total = total + disturbance.density_rad2_per_hz(n / frame_s - folded)
        total = total + disturbance.density_rad2_per_hz(n / frame_s + folded)
    return np.asarray(total * np.sinc(frequency * frame_s) ** 4)


def reading_scatter_rad(built: Built) -> Array:
    """Return the rms scatter (2,) of one reading, pooled over the mirrors. [rad]"""
    parts = built.parts
    aim_px = true_px(parts, parts.epochs[-1].aim_rad)
    origin = window_origin(
        expected_px(parts, parts.epochs[-1].aim_rad), parts.measurement.window_px
    )
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


def _gain_in_bands(built: Built, edges: Array) -> Array:
    """Return the mean of `resonance_gain` over each band (F, M, 2): a resonance may be narrower."""
    steps = (np.arange(SUBBANDS) + 0.5) / SUBBANDS
    return np.mean(
        [resonance_gain(built, edges[:-1] + share * np.diff(edges)) for share in steps], axis=0
    )


def _drive(built: Built, frequency: Array, gain: Array) -> list[Contributor]:
    """Steps of the DAC, taken as independent from frame to frame, and noise of the amplifier."""
    parts, params = built.parts, built.resolved.drive
    frame_s = parts.clock.frame_s
    step = step_rad(built)
    slope = step / parts.drive.lsb_v
    tick_s, lag_s = parts.clock.tick_s, parts.drive.lag_s
    keep = np.exp(-tick_s / lag_s)
    turn = 2 * keep * np.cos(2 * np.pi * np.minimum(frequency, 0.5 / tick_s) * tick_s)
    # Drawn once a tick, so that the variance is that of white noise through the lag.
    lag = tick_s / (2 * lag_s) * (1 - keep**2) / (1 - turn + keep**2)
    held = np.sinc(frequency * frame_s) ** 2
    noise = (1e-6 * params.noise_uv_per_rthz * slope) ** 2
    return [
        Contributor(STEPS, "tilt", step**2 / 6 * frame_s * held[:, None, None] * gain),
        Contributor("amplifier noise", "tilt", noise * lag[:, None, None] * gain),
    ]


def step_rad(built: Built) -> Array:
    """Return the static tilt (M, 2) of one DAC code at the last aims. [rad]"""
    parts = built.parts
    step = parts.drive.lsb_v * parts.fleet.true_gain.T
    if parts.drive.square:
        asked = np.abs(parts.epochs[-1].aim_rad / parts.fleet.true_gain.T)
        step = step * 2 * np.sqrt(np.maximum(asked, parts.drive.lsb_v**2))
    return np.asarray(step)


def _played(
    built: Built, which: int, name: str, edges: Array, gain: Array, from_s: float, to_s: float
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
    found = []
    if a.any():
        imbalance = parts.population.imbalance / parts.population.resonance_rad_s[..., None] ** 2
        shaking = _banded(a, clock.tick_s, edges)
        force = np.einsum("mai,fij,maj->fma", imbalance, shaking, imbalance)
        found.append(Contributor(f"{name}: imbalance", "tilt", force * gain))
    if s.any():
        density = np.einsum("fii->fi", _banded(s, clock.tick_s, edges))[:, None]
        found.append(Contributor(f"{name}: camera frame", "camera", density))
    if r.any():
        found.append(Contributor(f"{name}: rest angle", "tilt", gain * _straight(r, clock, edges)))
    return found


def _straight(rest: Array, clock: Clock, edges: Array) -> Array:
    """Return the density (F, M, 2) of a rest angle (N, M, 2) given at frame edges."""
    nyquist_hz = 0.5 / clock.frame_s
    inside = edges[edges <= nyquist_hz * (1 + 1e-12)]
    change = np.diff(rest, axis=0).reshape(len(rest) - 1, -1)
    white = _banded_each(change, clock.frame_s, inside).reshape(-1, *rest.shape[1:])
    centre = np.sqrt(inside[:-1] * inside[1:])
    w = 2 * np.sin(np.pi * centre * clock.frame_s)
    density = white / np.maximum(w, 1e-12)[:, None, None] ** 2
    at = np.sqrt(edges[:-1] * edges[1:])
    folded = np.abs(at - np.rint(at * clock.frame_s) / clock.frame_s)
    nearest = np.clip(np.searchsorted(inside, folded) - 1, 0, len(density) - 1)
    return np.asarray(density[nearest] * (np.sinc(at * clock.frame_s) ** 4)[:, None, None])


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
