"""Pictures of the surroundings: what shook, what drifted, and what the camera saw."""

from collections.abc import Mapping, Sequence
from typing import Any

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from sim.foundations.files.text import counted
from sim.foundations.ports import SpotStatus
from sim.mechanics.shock_spectrum import ResponseSpectrum
from sim.report.drawing import (
    BLUE,
    GREEN,
    INK,
    ORANGE,
    STYLE,
    VERMILION,
    Picture,
    dress,
    finish,
    time_axis,
)
from sim.report.event_marks import EventSpan, mark_events, marks_caption
from sim.report.thin import bin_starts, thin, thin_signed
from sim.report.view import SpotMarks
from sim.results.metrics import mirror_name
from sim.results.traces import SpotImages, Traces

G_M_S2 = 9.80665
COLOURS = (BLUE, VERMILION, GREEN)
DASHES: tuple[Any, ...] = ("-", (0, (5, 1)), (0, (1, 1)))


def spot_pictures(
    images: SpotImages,
    traces: Traces,
    ports: int,
    worst: Sequence[str],
    marks: SpotMarks | None = None,
) -> Picture | None:
    """Draw up to four mirrors at up to four moments, the worst mirrors first."""
    names = [mirror_name(int(m), ports) for m in traces.mirrors]
    spread = np.linspace(0, len(names) - 1, 4).astype(int)
    wanted = dict.fromkeys([*(names.index(w) for w in worst if w in names), *map(int, spread)])
    mirrors = list(wanted)[:4]
    moments = list(range(len(images.moments)))[:4]
    if not moments or not mirrors:
        return None
    frames = images.frames_dn[np.ix_(moments, mirrors)]
    height, width = frames.shape[2:]
    top = max(int(frames.max()), int(frames.min()) + 1)
    with matplotlib.rc_context(STYLE | {"axes.grid": False}):
        figure = Figure(figsize=(7.4, 0.7 + 1.5 * len(moments)), layout="constrained")
        grid = figure.subplots(len(moments), len(mirrors), squeeze=False)
        for (row, column), axes in np.ndenumerate(grid):
            shown = axes.imshow(
                frames[row, column], cmap="cividis", vmin=frames.min(), vmax=top, origin="upper"
            )
            axes.set_xticks([])
            axes.set_yticks([])
            axes.plot([1, 6], [height - 2] * 2, color="white", lw=2.5, solid_capstyle="butt")
            axes.text(6.8, height - 1.3, "5 px", color="white", fontsize=7, va="bottom")
            text = ""
            if marks is not None:
                text = _marked(axes, marks, moments[row], mirrors[column])
            name = f"{names[mirrors[column]]}\n" if row == 0 else ""
            axes.set_title(f"{name}{text}", loc="center", fontsize=8)
            if column == 0:
                axes.set_ylabel(
                    f"{_wrapped(images.moments[row])}\nt = {images.time_s[row] * 1e3:.6g} ms",
                    rotation=0,
                    ha="right",
                    va="center",
                    fontsize=8,
                )
        bar = figure.colorbar(shown, ax=grid, shrink=0.7, pad=0.015)
        bar.set_label("pixel value [DN]")
        address = finish(figure)
    return Picture(
        address,
        "Camera windows of some mirrors at some moments.",
        f"Camera windows of {width} x {height} px, all on one scale; the bar is 5 px long. "
        "x points right and y down. Times are those at which the exposure starts."
        + (
            " Plus: expected, where the mirror was not on its way; cross: measured; above each "
            "window their distance in pixels, or the reading's status if there is none."
            if marks is not None
            else ""
        ),
    )


def _marked(axes: Axes, marks: SpotMarks, moment: int, mirror: int) -> str:
    """Mark expected and measured position; return their distance, or the status."""
    expected, measured = marks.expected_px[moment, mirror], marks.measured_px[moment, mirror]
    status = SpotStatus(int(marks.status[moment, mirror]))
    if np.isfinite(expected).all():
        axes.plot(*expected, "+", color="white", ms=11, mew=1.2)
    if status != SpotStatus.OK:
        return status.name.lower()
    axes.plot(*measured, "x", color=ORANGE, ms=6, mew=1.4)
    if not np.isfinite(expected).all():
        return "on its way"
    return f"{float(np.hypot(*(measured - expected))):.3f} px"


def _wrapped(text: str, width: int = 18) -> str:
    lines = [""]
    for word in text.split():
        if lines[-1] and len(lines[-1]) + len(word) >= width:
            lines.append("")
        lines[-1] = f"{lines[-1]} {word}".strip()
    return "\n".join(lines)


def acceleration_pictures(
    traces: Traces,
    spectrum: ResponseSpectrum | None,
    conditions: Sequence[Mapping[str, Any]],
    resonances_hz: Mapping[str, float],
    events: Sequence[EventSpan] = (),
) -> list[Picture]:
    """Draw the core's acceleration, axis by axis, and its spectrum; nothing if it stood still."""
    peaks = traces.acceleration_peak_m_s2.astype(float)
    if not np.abs(peaks).max(initial=0.0) > 0:
        return []
    starts = bin_starts(len(peaks))
    scale, _ = time_axis(traces.time_s)
    time = thin(traces.time_s * scale, starts, np.maximum.reduceat)
    signed = thin_signed(peaks, starts) / G_M_S2
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(7.4, 3.4), layout="constrained")
        panels = figure.subplots(3, 1, sharex=True, sharey=True)
        for axis, (axes, colour) in enumerate(zip(panels, COLOURS, strict=True)):
            axes.plot(time, signed[:, axis], color=colour, lw=0.9)
            axes.set_ylabel(f"{'xyz'[axis]} [g]")
            dress(axes, traces)
            mark_events(axes, events, scale)
            if axis < 2:
                axes.set_xlabel("")
        address = finish(figure)
    over_time = Picture(
        address,
        "Acceleration of the optical core along x, y and z, over time.",
        "Acceleration of the optical core: of largest magnitude in each interval, with its sign; "
        f"g = 9.80665 m/s².{marks_caption(events)}",
    )
    if spectrum is None:
        return [over_time]
    return [over_time, _spectrum_picture(spectrum, conditions, resonances_hz)]


def _spectrum_picture(
    spectrum: ResponseSpectrum,
    conditions: Sequence[Mapping[str, Any]],
    resonances_hz: Mapping[str, float],
) -> Picture:
    """Draw the shock response spectrum, hatched beyond what the motion's sample rate supports."""
    frequencies_hz, quality = spectrum.frequency_hz, spectrum.quality
    response = np.asarray(spectrum.maximax_m_s2, dtype=float) / G_M_S2
    rates = [c["rate_hz"] for c in conditions if "rate_hz" in c]
    trusted_hz = spectrum.supported_hz
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(7.4, 2.9), layout="constrained")
        axes = figure.subplots()
        for axis, (colour, dash) in enumerate(zip(COLOURS, DASHES, strict=True)):
            if response[:, axis].max() > 0:
                label = "xyz"[axis]
                axes.loglog(
                    frequencies_hz, response[:, axis], color=colour, ls=dash, lw=1.3, label=label
                )
        if trusted_hz < frequencies_hz[-1]:
            axes.axvspan(
                trusted_hz, frequencies_hz[-1], facecolor="none", edgecolor="#9aa5b0",
                hatch="///", lw=0,
                label=f"beyond a tenth of\n{counted(spectrum.rate_hz, 'sample')} a second",
            )  # fmt: skip
        for name, value in resonances_hz.items():
            if frequencies_hz[0] < value < frequencies_hz[-1]:
                axes.axvline(value, color=INK, lw=1.0, ls=":", label=f"{name} {value:g} Hz")
        axes.set_xlim(frequencies_hz[0], frequencies_hz[-1])
        axes.set_xlabel("natural frequency [Hz]")
        axes.set_ylabel("maximax acceleration [g]")
        axes.legend(loc="upper left", bbox_to_anchor=(1.01, 1.0))
        address = finish(figure)
    text = (
        "Shock response spectrum of the same motion: the largest absolute acceleration of a "
        f"resonator of either sign (maximax), quality factor {quality:g}. "
    )
    blind = [f"{n} ({v:g} Hz)" for n, v in resonances_hz.items() if rates and v > min(rates) / 2]
    if blind:
        text += (
            f"The record of {counted(min(rates), 'sample')} a second holds nothing above "
            f"{min(rates) / 2:g} Hz, so it cannot excite: {', '.join(blind)}. The verdict says "
            "nothing about what the site does there."
        )
    return Picture(address, "Shock response spectrum of the core.", text)
