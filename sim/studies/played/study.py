"""Everything that can be said of what a run plays, before anything feels it."""

from collections.abc import Sequence
from typing import Any, Final, NamedTuple

import numpy as np
from scipy.special import chdtri

from sim.assembly.build import Built
from sim.foundations.ports import Array, stated_events
from sim.mechanics.profiles.profile import Expected, ToleranceBand
from sim.mechanics.shock_spectrum import SpectrumParts, shock_spectrum, spectrum_parts, thinned
from sim.studies.played.hygiene import against_pulse, hygiene_of
from sim.studies.played.required_spectrum import along as along_of
from sim.studies.played.required_spectrum import required_band

QUALITY: Final = 10.0
LINES_PER_OCTAVE: Final = 6
SEGMENTS: Final = 16
CONFIDENCE: Final = 0.90
TOO_FAST: Final = 0.9
"""Rate of a sweep times Q^2/f^2 from which a resonance is not built up (ISO 7626-2, from
memory)."""


class PowerDensity(NamedTuple):
    """Welch's estimate, Hann window, half overlap."""

    frequency_hz: Array
    density: Array
    """(F, 3) one-sided. [(m/s^2)^2/Hz]"""
    segments: int
    low: float
    """Factors on the estimate, ends of its interval of confidence."""
    high: float


class PlayedEvent(NamedTuple):
    """One profile as it is played at the run's ticks."""

    name: str
    conditions: dict[str, Any]
    time_s: Array
    acceleration_m_s2: Array
    """(K, 3)"""
    along_m_s2: Array | None
    """(K,) along its direction; None for a record."""
    expected: list[dict[str, Any]]
    bands: list[dict[str, Any]]
    drawn: tuple[ToleranceBand, ...]
    frequency_hz: Array
    spectra: list[SpectrumParts]
    """Of axes x, y, z: primary while the event lasts, residual in the period after its end."""
    quality: float
    density: PowerDensity | None
    hygiene: list[dict[str, Any]]
    done: list[str]
    """What was done to a record."""
    nominal: dict[str, Any] | None
    """A measured pulse against its nominal one."""
    remarks: list[str]

    @property
    def met(self) -> bool:
        """Whether it keeps its own tolerances."""
        rows = [*self.expected, *self.bands, *([self.nominal] if self.nominal else [])]
        return all(row["met"] for row in rows)


def study(
    built: Built,
    *,
    quality: float | None = None,
    required: Sequence[tuple[float, float]] = (),
    nominal: tuple[Any, float, float] | None = None,
) -> list[PlayedEvent]:
    """Return what each source of acceleration plays, held against what it should be.

    Parameters
    ----------
    built : Built
        The run.
    quality : float, optional
        Of the resonators of the shock response spectra; that of the requirements if left out.
    required : sequence of (float, float)
        Corners of a required response spectrum, Hz and g, for all of them; that of the scenario's
        requirements if left out.
    nominal : (str, float, float), optional
        Shape, peak [m/s^2] and duration [s] that a measured pulse should have.
    """
    clock, wanted = built.parts.clock, built.resolved.requirements
    if not required and wanted.response_spectrum is not None:
        required = [(corner.hz, corner.g) for corner in wanted.response_spectrum]
        quality = wanted.response_quality if quality is None else quality
    found = []
    for disturbance in built.parts.disturbances:
        _, first = disturbance.advance(disturbance.initial_state(), 0, 1)
        if first.acceleration_m_s2 is None:
            continue
        _, effects = disturbance.advance(disturbance.initial_state(), 0, clock.n_frames)
        if effects.acceleration_m_s2 is None:
            continue
        time_s = clock.tick_times_s(0, clock.n_frames)
        acceleration = np.asarray(effects.acceleration_m_s2, dtype=float)
        found.append(_event(built, disturbance, time_s, acceleration, quality, required, nominal))
    return found


def _event(
    built: Built, disturbance: Any, time_s: Array, acceleration: Array, quality: float | None,
    required: Sequence[tuple[float, float]], nominal: tuple[Any, float, float] | None,
) -> PlayedEvent:  # fmt: skip
    profile = getattr(disturbance, "profile", None)
    expected: tuple[Expected, ...] = () if profile is None else profile.expected
    bands: tuple[ToleranceBand, ...] = () if profile is None else profile.bands
    wave = along_of(disturbance, acceleration)
    along = None if profile is None else wave
    until_s = max([event.to_s for event in stated_events([disturbance])], default=time_s[-1])
    coarse, rate_hz = thinned(acceleration, 1.0 / (time_s[1] - time_s[0]))
    coarse = coarse[: max(int((until_s - time_s[0]) * rate_hz + 1e-6), 2) + 1]
    own = [band.quality for band in bands if band.over == "spectrum"]
    if quality is None:
        quality = own[0] if own else QUALITY
    if required and (profile is None or profile.span is not None):
        bands = (*bands, required_band(required, quality))
    top = min(2000.0, rate_hz / 10.0)
    low = max(0.5, 1.0 / (time_s[-1] - time_s[0]))
    lines = np.geomspace(low, top, int(LINES_PER_OCTAVE * np.log2(top / low)) + 1)
    spectra = [spectrum_parts(axis, rate_hz, lines, quality) for axis in coarse.T]
    density = _density(time_s, acceleration, profile)
    conditions = dict(getattr(disturbance, "conditions", {}))
    samples = getattr(disturbance, "samples_m_s2", None)
    remarks = [] if profile is None else list(_too_fast(built, profile))
    checked = None
    if samples is not None and nominal is not None:
        axis = int(np.abs(samples).max(axis=0).argmax())
        checked = against_pulse(samples[:, axis], disturbance.rate_hz, *nominal)
        checked["axis"] = "xyz"[axis]
    name = getattr(profile, "name", None) or str(conditions.get("file", "acceleration"))
    return PlayedEvent(
        name=name.removeprefix("the "), conditions=conditions, time_s=time_s,
        acceleration_m_s2=acceleration, along_m_s2=along,
        expected=[_figure(each, time_s, along) for each in expected] if along is not None else [],
        bands=[_kept(band, time_s, wave, density) for band in bands],
        drawn=bands, frequency_hz=lines, spectra=spectra, quality=quality, density=density,
        hygiene=[] if samples is None else hygiene_of(samples, disturbance.rate_hz),
        done=[] if samples is None else _done(disturbance, time_s), nominal=checked,
        remarks=remarks,
    )  # fmt: skip


def _figure(expected: Expected, time_s: Array, along: Array) -> dict[str, Any]:
    value = expected.measure(time_s, along)
    return {
        "figure": expected.words, "unit": expected.unit, "nominal": expected.nominal,
        "low": expected.low, "high": expected.high, "played": value, "basis": expected.basis,
        "met": bool(expected.low <= value <= expected.high),
    }  # fmt: skip


def _kept(
    band: ToleranceBand, time_s: Array, wave: Array, density: PowerDensity | None
) -> dict[str, Any]:
    """Return which share of a band is kept."""
    if band.over == "time":
        inside = (time_s >= band.at[0]) & (time_s <= band.at[-1])
        value = wave[inside]
        low, high = (np.interp(time_s[inside], band.at, side) for side in (band.low, band.high))
    elif band.over == "spectrum":
        coarse, rate_hz = thinned(wave, 1.0 / (time_s[1] - time_s[0]), float(band.at[-1]))
        value = shock_spectrum(coarse, rate_hz, band.at, band.quality)
        low, high = band.low, band.high
    elif density is None:
        return {"over": band.over, "kept": None, "basis": band.basis, "met": True}
    else:
        f, total = density.frequency_hz, density.density.sum(axis=1)
        edges = np.geomspace(band.at[0], band.at[-1],
                             max(2, int(3 * np.log2(band.at[-1] / band.at[0])) + 1))  # fmt: skip
        clear = np.ones(len(f), bool)
        for hz in band.sines_hz:  # a Hann window spreads a sine over two lines to each side
            clear &= np.abs(f - hz) > 2.5 * (f[1] - f[0])
        parts = [clear & (f >= a) & (f < b) for a, b in zip(edges[:-1], edges[1:], strict=True)]
        parts = [part for part in parts if part.sum() >= 2]
        value = np.array([total[part].mean() for part in parts])
        low, high = (
            np.array([np.interp(f[part], band.at, side).mean() for part in parts])
            for side in (band.low, band.high)
        )
    inside = (value >= low - 1e-9 * np.abs(low)) & (value <= high + 1e-9 * np.abs(high))
    kept = float(inside.mean()) if len(value) else None
    least = {}
    if band.over == "spectrum":
        share = value / low
        least = {"least_share": float(share.min()), "at_hz": float(band.at[share.argmin()])}
    return {
        "over": band.over, "kept": kept, "basis": band.basis, **least,
        "met": kept is None or kept >= (0.9 if band.over == "density" else 0.999),
    }  # fmt: skip


def _density(time_s: Array, acceleration: Array, profile: Any) -> PowerDensity | None:
    from scipy import signal  # takes half a second to load, and few runs play a record

    span = getattr(profile, "span", None)
    inside = np.ones(len(time_s), bool)
    if span is not None:
        ramp_s = 1e-3 * float(getattr(profile.params, "ramp_ms", 0.0))
        inside = (time_s >= span.from_s + ramp_s) & (time_s <= span.to_s - ramp_s)
    used = acceleration[inside]
    if len(used) < 64 * SEGMENTS:
        return None
    length = 2 * len(used) // (SEGMENTS + 1)
    rate_hz = 1.0 / (time_s[1] - time_s[0])
    f, density = signal.welch(used, rate_hz, window="hann", nperseg=length, axis=0,
                              detrend="constant")  # fmt: skip
    free = freedom(SEGMENTS)
    tail = 0.5 * (1.0 - CONFIDENCE)
    low, high = free / chdtri(free, tail), free / chdtri(free, 1.0 - tail)
    return PowerDensity(f[1:], density[1:], SEGMENTS, float(low), float(high))


def freedom(segments: int) -> float:
    """Return the degrees of freedom of Welch's estimate: Hann window, half overlap.

    2 K/(1 + (K - 1)/(18 K)), with the correlation 1/6 of neighbouring segments (P. D. Welch, IEEE
    Trans. Audio Electroacoust. 15 (1967) 70).
    """
    return 2.0 * segments / (1.0 + (segments - 1) / (18.0 * segments))


def _done(record: Any, time_s: Array) -> list[str]:
    """Return what was done to a record, in words."""
    p = record.params
    tick_hz = 1.0 / (time_s[1] - time_s[0])
    done = [
        f"read at the ticks ({record.rate_hz:g} to {tick_hz:g} Hz) by a windowed sinc of 20 lobes: "
        f"flat within 0.01 % to {0.4 * min(record.rate_hz, tick_hz):.4g} Hz"
    ]
    if p.from_s is not None or p.to_s is not None:
        done.append("cut to its used part")
    if p.remove_mean:
        done.append("the mean of each axis taken off")
    if p.taper_ms:
        done.append(f"faded over {p.taper_ms:g} ms at both ends")
    if p.scale != 1.0:
        done.append(f"multiplied by {p.scale:g}")
    return done


def _too_fast(built: Built, profile: Any) -> Any:
    """Yield what a sweep moves across too fast to build up."""
    frequency_of = getattr(profile, "frequency_hz", None)
    if frequency_of is None or profile.span is None:
        return
    at = np.linspace(profile.span.from_s, profile.span.to_s, 2001)
    hz = frequency_of(at)
    rate = np.abs(np.gradient(hz, at))
    scenario = built.resolved
    known = [("the mirrors' resonance", f, q)
             for f, q in zip(scenario.mirror.resonance_hz, scenario.mirror.quality, strict=True)]
    if scenario.bracket is not None:
        known.append(("the bracket", scenario.bracket.resonance_hz, scenario.bracket.quality))
    if scenario.isolator is not None:
        known += [("the isolator", f, q) for f, q in
                  zip(scenario.isolator.resonance_hz, scenario.isolator.quality, strict=True)]
    for words, f, q in dict.fromkeys(known):
        if hz.min() <= f <= hz.max():
            order = np.argsort(hz)
            speed = float(np.interp(f, hz[order], rate[order])) * q**2 / f**2
            if speed > TOO_FAST:
                yield (
                    f"it passes {words} ({f:g} Hz, Q {q:g}) at {speed:.3g} f^2/Q^2 a second, too "
                    "fast to build it up: a slower sweep would show more"
                )
