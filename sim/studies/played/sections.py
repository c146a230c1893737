"""The page of profiles: tolerances kept, records looked at, spectra beside required ones."""

from collections.abc import Sequence
from typing import Any

import matplotlib
import numpy as np
from matplotlib.figure import Figure

from sim.foundations.files.text import counted
from sim.report.drawing import BLUE, GREEN, INK, STYLE, VERMILION, Picture, finish
from sim.report.study_page import Section, Table
from sim.studies.played.study import PlayedEvent, PowerDensity

G = 9.80665
AXIS_COLOURS = (BLUE, VERMILION, GREEN)


def sections_of(events: Sequence[PlayedEvent], before: str = "") -> list[Section]:
    """Return one section for each profile; their headings begin with `before`, if given."""
    return [
        section._replace(heading=f"{before}: {section.heading}") if before
        else section._replace(heading=section.heading[:1].upper() + section.heading[1:])
        for section in map(_section, events)
    ]  # fmt: skip


def _section(event: PlayedEvent) -> Section:
    texts = [*event.remarks]
    if event.done:
        texts.append(f"Done to the record: {'; '.join(event.done)}.")
        advice = [
            f"axis {r['axis']}: {', '.join(r['advice'])}" for r in event.hygiene if r["advice"]
        ]
        could = f"Could be done: {'; '.join(advice)}."
        texts.append(could if advice else "Nothing else is needed.")
    if event.nominal:
        n = event.nominal
        texts.append(
            f"Against the nominal pulse, axis {n['axis']} from {n['starts_s']:.4g} s, sense "
            f"{n['sense']}: velocity change {n['velocity_change_m_s']:.3g} of "
            f"{n['nominal_velocity_change_m_s']:.3g} m/s, {100 * n['inside_share']:.1f} % of the "
            f"samples inside the band: {'kept' if n['met'] else 'not kept'} (rules from memory)."
        )
    tables = []
    if event.expected or event.bands:
        tables.append(_tolerances(event))
    if event.hygiene:
        tables.append(_hygiene(event))
    if not event.acceleration_m_s2.any():
        return Section(event.name, [*texts, "It shakes nothing within this run."], tables, [])
    pictures = [_time(event), _spectrum(event)]
    if event.density is not None:
        pictures.append(_density(event, event.density))
    return Section(event.name, texts, tables, pictures)


def _tolerances(event: PlayedEvent) -> Table:
    rows = [
        [e["figure"], f"{e['nominal']:.4g} {e['unit']}", f"{e['low']:.4g} to {e['high']:.4g}",
         f"{e['played']:.4g}", "kept" if e["met"] else "not kept", e["basis"]]
        for e in event.expected
    ]  # fmt: skip
    words = {"time": "course over time", "density": "density, third octaves",
             "spectrum": "response spectrum"}  # fmt: skip
    for band in event.bands:
        kept = "too short to estimate" if band["kept"] is None else f"{100 * band['kept']:.1f} %"
        least = (
            f", least {100 * band['least_share']:.3g} % of the lower edge at {band['at_hz']:.3g} Hz"
            if "least_share" in band else ""
        )  # fmt: skip
        rows.append([words[band["over"]], "drawn below", "drawn below", f"{kept} inside{least}",
                     "kept" if band["met"] else "not kept", band["basis"]])  # fmt: skip
    head = ["Figure", "Nominal", "Tolerance", "Played", "Verdict", "Tolerance from"]
    return Table("What is played against what it should be", head, rows)


def _hygiene(event: PlayedEvent) -> Table:
    head = ["Axis", "Peak [g]", "Offset [mg]", "Velocity at the end [m/s]",
            "Velocity, largest [m/s]", "Clipped samples", "Samples in dropouts"]  # fmt: skip
    rows = [
        [r["axis"], f"{r['peak_m_s2'] / G:.4g}", f"{1e3 * r['offset_m_s2'] / G:.3g}",
         f"{r['velocity_left_m_s']:.3g}", f"{r['velocity_peak_m_s']:.3g}", str(r["clipped"]),
         str(r["dropouts"])]
        for r in event.hygiene
    ]  # fmt: skip
    return Table("The record as it is played", head, rows)


def _time(event: PlayedEvent) -> Picture:
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(7.4, 2.8), layout="constrained")
        axes = figure.subplots()
        band = next((b for b in event.drawn if b.over == "time"), None)
        if band is not None:
            near = 0.15 * (band.at[-1] - band.at[0])
            shown = (event.time_s >= band.at[0] - near) & (event.time_s <= band.at[-1] + near)
        else:
            moving = np.flatnonzero(np.abs(event.acceleration_m_s2).max(axis=1) > 0)
            shown = np.zeros(len(event.time_s), bool)
            shown[moving[0] : moving[-1] + 1] = True
        time = event.time_s[shown]
        scale, unit = (1e3, "ms") if time[-1] - time[0] < 2.0 else (1.0, "s")
        thin = max(1, len(time) // 20_000)
        if event.along_m_s2 is not None:
            axes.plot(scale * time[::thin], event.along_m_s2[shown][::thin] / G, color=BLUE, lw=1.0,
                      label="played, along its direction")  # fmt: skip
        else:
            for k, axis in enumerate("xyz"):
                axes.plot(scale * time[::thin], event.acceleration_m_s2[shown, k][::thin] / G,
                          color=AXIS_COLOURS[k], lw=0.8, label=axis)  # fmt: skip
        if band is not None:
            axes.plot(scale * band.at, band.low / G, color=INK, lw=1.0, ls="--", label="tolerance")
            axes.plot(scale * band.at, band.high / G, color=INK, lw=1.0, ls="--")
        axes.set_xlabel(f"time [{unit}]")
        axes.set_ylabel("acceleration [g]")
        figure.legend(loc="outside lower center", ncols=4)
        address = finish(figure)
    return Picture(address, f"Acceleration of {event.name} over time.",
                   "As it is played at the drive's ticks, before mounts and bracket.")  # fmt: skip


def _spectrum(event: PlayedEvent) -> Picture:
    axis = int(np.abs(event.acceleration_m_s2).max(axis=0).argmax())
    bands = [b for b in event.drawn if b.over == "spectrum" and b.quality == event.quality]
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(7.4, 3.2), layout="constrained")
        axes = figure.subplots()
        for k, name in enumerate("xyz"):
            found = event.spectra[k].maximax / G
            if found.max() > 0:
                axes.plot(event.frequency_hz, found, color=AXIS_COLOURS[k], lw=1.5,
                          label=f"maximax {name}")  # fmt: skip
        worst = event.spectra[axis]
        axes.plot(event.frequency_hz, worst.primary / G, color="#59646f", lw=0.9, ls="--",
                  label=f"primary {'xyz'[axis]}")  # fmt: skip
        axes.plot(event.frequency_hz, worst.residual / G, color="#59646f", lw=0.9, ls=":",
                  label=f"residual {'xyz'[axis]}")  # fmt: skip
        top = max(float(s.maximax.max()) for s in event.spectra) / G
        for band in bands:
            axes.plot(band.at, band.nominal / G, color=INK, lw=1.8, label="required")
            if np.isfinite(band.high).all():
                axes.plot(band.at, band.high / G, color=INK, lw=1.0, ls="--", label="tolerance")
            top = max(top, float(band.nominal.max()) / G)
        axes.set_ylim(1e-4 * top, 2 * top)
        axes.set_xscale("log")
        axes.set_yscale("log")
        axes.set_xlabel("resonance [Hz]")
        axes.set_ylabel("response [g]")
        figure.legend(loc="outside lower center", ncols=4)
        address = finish(figure)
    return Picture(
        address, f"Shock response spectrum of {event.name}.",
        f"Absolute acceleration of resonators with Q = {event.quality:g}. Primary: largest while "
        "the event lasts (the whole run, for steady surroundings). Residual: largest in one period "
        "of the resonator after its end. Maximax: the larger of both.",
    )  # fmt: skip


def _density(event: PlayedEvent, d: PowerDensity) -> Picture:
    band = next((b for b in event.drawn if b.over == "density"), None)
    low_db, high_db = (10 * np.log10(side) for side in (d.low, d.high))
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(7.4, 3.0), layout="constrained")
        axes = figure.subplots()
        for k, name in enumerate("xyz"):
            found = d.density[:, k] / G**2
            if found.max() > 0:
                axes.fill_between(d.frequency_hz, d.low * found, d.high * found,
                                  color=AXIS_COLOURS[k], alpha=0.2, lw=0)  # fmt: skip
                axes.plot(d.frequency_hz, found, color=AXIS_COLOURS[k], lw=0.9, label=name)
        if band is not None:
            axes.plot(band.at, band.nominal / G**2, color=INK, lw=1.5, label="nominal")
            axes.plot(band.at, band.low / G**2, color=INK, lw=1.0, ls="--", label="tolerance")
            axes.plot(band.at, band.high / G**2, color=INK, lw=1.0, ls="--")
            axes.set_xlim(0.7 * band.at[0], 1.4 * band.at[-1])
        top = float(d.density.max()) / G**2
        axes.set_ylim(1e-6 * top, 4 * top)
        axes.set_xscale("log")
        axes.set_yscale("log")
        axes.set_xlabel("frequency [Hz]")
        axes.set_ylabel("density [g²/Hz]")
        figure.legend(loc="outside lower center", ncols=5)
        address = finish(figure)
    return Picture(
        address, f"Spectral density of {event.name}.",
        f"One-sided, Welch's estimate of {counted(d.segments, 'segment')}, Hann window, half "
        f"overlap; shaded: 90 % interval, {low_db:+.1f} to {high_db:+.1f} dB.",
    )  # fmt: skip


def profile_figures(event: PlayedEvent) -> dict[str, Any]:
    """Return what is filed of a profile."""
    return {
        "name": event.name, "conditions": event.conditions, "met": event.met,
        "expected": event.expected, "bands": event.bands, "hygiene": event.hygiene,
        "done": event.done, "nominal_pulse": event.nominal, "remarks": event.remarks,
        "shock_response_spectrum": {
            "quality": event.quality, "frequency_hz": event.frequency_hz.tolist(),
            **{
                f"{part}_{axis}_m_s2": getattr(spectrum, part).tolist()
                for axis, spectrum in zip("xyz", event.spectra, strict=True)
                for part in ("maximax", "primary", "residual")
            },
        },
        "density": None if event.density is None else {
            "segments": event.density.segments, "confidence": 0.9, "low": event.density.low,
            "high": event.density.high, "frequency_hz": event.density.frequency_hz.tolist(),
            **{f"{axis}_m2_s4_per_hz": event.density.density[:, k].tolist()
               for k, axis in enumerate("xyz")},
        },
    }  # fmt: skip
