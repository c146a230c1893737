"""Pictures of the surroundings: what shook, what drifted, and what the camera saw."""

from collections.abc import Sequence
from typing import Any

import matplotlib
import numpy as np
from matplotlib.figure import Figure
from numpy.typing import NDArray

from sim.report.drawing import (
    BLUE,
    GREEN,
    ORANGE,
    STYLE,
    VERMILION,
    Picture,
    dress,
    finish,
    time_axis,
)
from sim.report.thin import bin_starts, thin, thin_signed
from sim.results.metrics import mirror_name
from sim.results.traces import SpotImages, Traces

G_M_S2 = 9.80665


def spot_pictures(
    images: SpotImages, traces: Traces, ports: int, worst: Sequence[str]
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
        figure = Figure(figsize=(7.4, 0.5 + 1.25 * len(moments)), layout="constrained")
        grid = figure.subplots(len(moments), len(mirrors), squeeze=False)
        for (row, column), axes in np.ndenumerate(grid):
            shown = axes.imshow(
                frames[row, column], cmap="cividis", vmin=frames.min(), vmax=top, origin="upper"
            )
            axes.set_xticks([])
            axes.set_yticks([])
            axes.plot([1, 6], [height - 2] * 2, color="white", lw=2.5, solid_capstyle="butt")
            axes.text(6.8, height - 1.3, "5 px", color="white", fontsize=7, va="bottom")
            if row == 0:
                axes.set_title(names[mirrors[column]], loc="center")
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
        "x points right and y down. Times are those at which the exposure starts.",
    )


def _wrapped(text: str, width: int = 18) -> str:
    lines = [""]
    for word in text.split():
        if lines[-1] and len(lines[-1]) + len(word) >= width:
            lines.append("")
        lines[-1] = f"{lines[-1]} {word}".strip()
    return "\n".join(lines)


def acceleration_pictures(
    traces: Traces, spectrum: tuple[NDArray, NDArray, float] | None
) -> Picture | None:
    """Draw the core's acceleration and its shock response spectrum; None if it stood still."""
    peaks = traces.acceleration_peak_m_s2.astype(float)
    if not np.abs(peaks).max(initial=0.0) > 0:
        return None
    starts = bin_starts(len(peaks))
    scale, _ = time_axis(traces.time_s)
    time = thin(traces.time_s * scale, starts, np.maximum.reduceat)
    signed = thin_signed(peaks, starts) / G_M_S2
    looks: list[dict[str, Any]] = [
        {"color": BLUE, "lw": 1.0, "label": "x"},
        {"color": VERMILION, "lw": 1.0, "ls": (0, (5, 1)), "label": "y"},
        {"color": GREEN, "lw": 1.2, "ls": (0, (1, 1)), "label": "z"},
    ]
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(7.4, 2.9), layout="constrained")
        columns = figure.subplots(1, 1 if spectrum is None else 2, squeeze=False)[0]
        for axis, look in enumerate(looks):
            columns[0].plot(time, signed[:, axis], **look)
        dress(columns[0], traces)
        columns[0].set_ylabel("core acceleration [g]")
        columns[0].legend(loc="best", ncols=3)
        text = (
            "Acceleration of the optical core: of largest magnitude in each interval, with its "
            "sign; g = 9.80665 m/s^2. "
        )
        if spectrum is not None:
            frequencies_hz, maximax, quality = spectrum
            response = np.asarray(maximax, dtype=float) / G_M_S2
            for axis, look in enumerate(looks):
                if response[:, axis].max() > 0:
                    columns[1].loglog(frequencies_hz, response[:, axis], **look)
            columns[1].set_xlabel("resonance [Hz]")
            columns[1].set_ylabel("largest response [g]")
            columns[1].grid(True, which="both")
            text += (
                "Right: the shock response spectrum of the same motion, the largest absolute "
                f"acceleration of a resonator of either sign (maximax), quality factor {quality:g}."
            )
        address = finish(figure)
    return Picture(address, "Core acceleration against time, and its spectrum.", text)


def slow_pictures(traces: Traces) -> Picture | None:
    """Draw temperature and the camera's shift, whichever of them varies."""
    sensor_urad = traces.sensor_rad.astype(float) * 1e6
    kelvin = traces.temperature_k.astype(float)
    warm, shifted = np.ptp(kelvin) > 0, np.ptp(sensor_urad, axis=0).max() > 0
    if not (warm or shifted):
        return None
    starts = bin_starts(len(kelvin))
    scale, _ = time_axis(traces.time_s)
    time = thin(traces.time_s * scale, starts, np.maximum.reduceat)
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(7.4, 2.6), layout="constrained")
        columns = iter(figure.subplots(1, int(warm) + int(shifted), squeeze=False)[0])
        if warm:
            axes = next(columns)
            axes.plot(time, thin_signed(kelvin, starts), color=VERMILION, lw=1.4)
            axes.set_ylabel("over reference [K]")
            axes.set_title("bench temperature")
            dress(axes, traces)
        if shifted:
            axes = next(columns)
            shift = thin_signed(sensor_urad, starts)
            axes.plot(time, shift[:, 0], color=BLUE, lw=1.2, label="x")
            axes.plot(time, shift[:, 1], color=ORANGE, lw=1.2, ls=(0, (5, 1)), label="y")
            axes.set_ylabel("as mirror tilt [urad]")
            axes.set_title("shift of the camera against the fibres")
            axes.legend(loc="best", ncols=2)
            dress(axes, traces)
        address = finish(figure)
    text = "Bench temperature over the reference. " if warm else ""
    if shifted:
        text += (
            "The loop follows a shift of the camera faithfully and so turns it into true pointing "
            "error: no spot tells it apart from a mirror that moved."
        )
    return Picture(address, "Slow changes against time.", text)
