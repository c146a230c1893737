"""The pictures of the report, each a self-contained SVG as a data address."""

import base64
import io
from collections.abc import Sequence
from typing import Any, NamedTuple

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from numpy.typing import NDArray

from sim.metrics import aligned_over_time, mirror_name
from sim.report.thin import bin_starts, thin, thin_signed
from sim.traces import Epoch, SpotImages, Traces

# Blue, vermilion, green and orange of a palette made for colour-blind readers; the lines differ
# in dash and width too, so that they can be told apart in grey.
BLUE, VERMILION, GREEN, ORANGE, INK, GREY = (
    "#0072B2",
    "#D55E00",
    "#009E73",
    "#E69F00",
    "#1d2733",
    "#8a939c",
)
DARK_DB = 40.0
G_M_S2 = 9.80665
STYLE: dict[Any, Any] = {
    "font.family": "sans-serif",
    "font.size": 9.0,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.edgecolor": INK,
    "axes.labelcolor": INK,
    "axes.titlesize": 9.5,
    "axes.titlelocation": "left",
    "axes.grid": True,
    "grid.color": "#dfe3e7",
    "grid.linewidth": 0.6,
    "axes.axisbelow": True,
    "legend.frameon": False,
    "legend.fontsize": 8.0,
    "svg.hashsalt": "mirrorloop",
    "svg.fonttype": "path",
    "path.simplify_threshold": 0.3,
}


class Picture(NamedTuple):
    """One figure of the page."""

    address: str
    """data: address of the picture."""
    alt: str
    """What it shows, for those who cannot see it."""
    caption: str
    """How to read it, with counts and conventions."""


class Hold(NamedTuple):
    """The hold interval in seconds, to be shaded."""

    from_s: float
    to_s: float


def _finish(figure: Figure) -> str:
    """Return the figure as a data address."""
    buffer = io.BytesIO()
    FigureCanvasSVG(figure).print_svg(buffer, metadata={"Date": None})
    return "data:image/svg+xml;base64," + base64.b64encode(buffer.getvalue()).decode("ascii")


def _time_axis(time_s: NDArray) -> tuple[float, str]:
    """Return the factor and the unit for a time axis: ms for runs under two seconds."""
    return (1e3, "ms") if time_s[-1] < 2.0 else (1.0, "s")


def _dress(
    axes: Axes, traces: Traces, epochs: Sequence[Epoch] = (), hold: Hold | None = None
) -> None:
    """Put time, commands and hold interval onto an axis of time."""
    scale, unit = _time_axis(traces.time_s)
    axes.set_xlabel(f"time [{unit}]")
    start = traces.time_s[0] - traces.interval_ticks * traces.tick_s
    axes.set_xlim(start * scale, traces.time_s[-1] * scale)
    if hold is not None and hold.to_s > hold.from_s:
        axes.axvspan(
            hold.from_s * scale, hold.to_s * scale, color="#eef2f5", zorder=0, label="hold interval"
        )
    label = "command"
    for epoch in epochs:
        if epoch.commanded:
            axes.axvline(epoch.start_s * scale, color=INK, lw=0.9, ls=(0, (1, 2)), label=label)
            label = "_nolegend_"


def _key_below(axes: Axes, columns: int) -> None:
    axes.legend(loc="upper center", bbox_to_anchor=(0.5, -0.2), ncols=columns, handlelength=2.6)


def error_over_time(
    traces: Traces,
    epochs: Sequence[Epoch],
    hold: Hold,
    tolerance_urad: float,
    limit_urad: float | None,
) -> Picture:
    """Draw the pointing error, as bands over the mirrors."""
    peak_urad = traces.error_peak_rad.astype(float) * 1e6
    starts = bin_starts(len(peak_urad))
    scale, unit = _time_axis(traces.time_s)
    time = thin(traces.time_s * scale, starts, np.maximum.reduceat)
    low, middle, high = np.percentile(peak_urad, [5, 50, 95], axis=1)
    low = thin(low, starts, np.minimum.reduceat)
    middle, high, top = (
        thin(v, starts, np.maximum.reduceat) for v in (middle, high, peak_urad.max(axis=1))
    )
    log = top.max() > 20 * max(float(np.median(middle)), 1e-9)
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(7.4, 3.3), layout="constrained")
        axes = figure.subplots()
        floor = max(float(low[low > 0].min(initial=np.inf)), 1e-3) if log else 0.0
        floor = floor if np.isfinite(floor) else 1e-3
        axes.fill_between(
            time, np.maximum(low, floor), high, color=BLUE, alpha=0.25, lw=0, label="p5 to p95"
        )
        axes.plot(time, np.maximum(top, floor), color=VERMILION, lw=0.9, label="largest")
        axes.plot(time, np.maximum(middle, floor), color=BLUE, lw=1.6, label="median")
        axes.axhline(tolerance_urad, color=GREEN, lw=1.2, ls="--", label="settling tolerance")
        if limit_urad is not None:
            axes.axhline(limit_urad, color=INK, lw=1.2, ls="-.", label="limit on the largest")
        if log:
            axes.set_yscale("log")
        else:
            axes.set_ylim(bottom=0)
        _dress(axes, traces, epochs, hold)
        axes.set_ylabel("radial tilt error [urad]")
        _key_below(axes, 4)
        address = _finish(figure)
    interval_ms = traces.interval_ticks * traces.tick_s * 1e3
    return Picture(
        address,
        "Radial pointing error against time: median, 5th to 95th percentile and largest.",
        f"Largest error in each interval of {interval_ms:g} ms, as percentiles over "
        f"{peak_urad.shape[1]} mirrors. {_thinned(traces, starts)}"
        + ("The axis of error is logarithmic. " if log else ""),
    )


def _thinned(traces: Traces, starts: NDArray) -> str:
    if len(starts) == len(traces.time_s):
        return ""
    return (
        f"For drawing, {starts[1]} intervals share a point; "
        "it shows the highest value of each curve (of p5: the lowest). "
    )


def excess_over_time(
    traces: Traces, epochs: Sequence[Epoch], hold: Hold, outage_db: float
) -> Picture:
    """Draw the loss over the aligned loss, as bands over the connections."""
    peak_db = np.minimum(traces.excess_peak_db.astype(float), DARK_DB)
    starts = bin_starts(len(peak_db))
    scale, unit = _time_axis(traces.time_s)
    time = thin(traces.time_s * scale, starts, np.maximum.reduceat)
    curves = (*np.percentile(peak_db, [50, 95], axis=1), peak_db.max(axis=1))
    middle, high, top = (thin(v, starts, np.maximum.reduceat) for v in curves)
    log = bool(top.max() > 20 * outage_db)
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(7.4, 3.1), layout="constrained")
        axes = figure.subplots()
        axes.plot(time, top, color=VERMILION, lw=0.9, label="largest")
        axes.plot(time, high, color=ORANGE, lw=1.2, ls=(0, (5, 1)), label="p95")
        axes.plot(time, middle, color=BLUE, lw=1.6, label="median")
        axes.axhline(outage_db, color=INK, lw=1.2, ls="-.", label="outage limit")
        if log:
            axes.set_yscale("symlog", linthresh=outage_db, linscale=1.0)
            axes.set_ylim(0, 1.15 * DARK_DB)
            ticks = [0, outage_db, *(t for t in (2, 5, 10, 20, 40) if t > 1.5 * outage_db)]
            axes.set_yticks(ticks, [f"{t:g}" for t in ticks])
            axes.minorticks_off()
        else:
            axes.set_ylim(0, 1.15 * max(float(top.max()), outage_db))
        _dress(axes, traces, epochs, hold)
        axes.set_ylabel("loss over aligned [dB]")
        _key_below(axes, 3)
        address = _finish(figure)
    beyond = float(traces.excess_peak_db.max()) > DARK_DB
    clipped = (
        f"Drawn up to {DARK_DB:g} dB, although the run went beyond: there is no light there, and "
        "scattered light and crosstalk are not modelled. "
        if beyond
        else f"It would be cut at {DARK_DB:g} dB, beyond which there is no light; scattered light "
        "and crosstalk are not modelled. "
    )
    return Picture(
        address,
        "Loss over the aligned loss against time: median, 95th percentile and largest.",
        f"Largest value in each interval, as percentiles over {peak_db.shape[1]} connections. "
        f"{clipped}{_thinned(traces, starts)}"
        + (f"Above {outage_db:g} dB the axis is logarithmic." if log else ""),
    )


def loss_histogram(
    traces: Traces, epochs: Sequence[Epoch], hold: Hold, limits: Sequence[tuple[str, float]]
) -> Picture | None:
    """Draw how the total loss is spread over the hold interval."""
    tick = traces.tick_s
    interval = traces.interval_ticks * tick
    rows = (traces.time_s - interval >= hold.from_s - 1e-6 * tick) & (
        traces.time_s <= hold.to_s + 1e-6 * tick
    )
    begun = np.array([e.start_s for e in epochs]) + 0.5 * tick
    which = np.maximum(np.searchsorted(begun, traces.time_s[rows]) - 1, 0)
    total = aligned_over_time(epochs, which) + traces.excess_db[rows]
    if total.size == 0:
        return None
    beyond = int((total > DARK_DB).sum())
    total = np.minimum(total, DARK_DB)
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(7.4, 2.7), layout="constrained")
        axes = figure.subplots()
        lowest, highest = float(total.min()), float(total.max())
        spread = max(highest - lowest, 0.1)
        axes.hist(
            total.ravel(),
            bins=np.linspace(lowest - 0.02 * spread, lowest + 1.02 * spread, 61).tolist(),
            color=BLUE,
            alpha=0.75,
            log=True,
        )
        for (label, value), dash in zip(limits, ("-", "--"), strict=False):
            axes.axvline(value, color=VERMILION, lw=1.6, ls=dash, label=f"{label}: {value:g} dB")
        axes.set_xlabel("total loss [dB]")
        axes.set_ylabel("samples")
        if limits:
            _key_below(axes, 2)
        address = _finish(figure)
    return Picture(
        address,
        "Histogram of the total loss over the hold interval.",
        f"{total.size} samples of {total.shape[1]} connections at the ends of {total.shape[0]} "
        "intervals, so short peaks between them do not show here; counts are on a logarithmic "
        "axis. " + (f"{beyond} samples above {DARK_DB:g} dB are drawn there." if beyond else ""),
    )


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
        figure = Figure(figsize=(7.4, 0.5 + 1.6 * len(moments)), layout="constrained")
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
                    f"{_wrapped(images.moments[row])}\nt = {images.time_s[row] * 1e3:.4g} ms",
                    rotation=0,
                    ha="right",
                    va="center",
                    fontsize=8,
                )
        bar = figure.colorbar(shown, ax=grid, shrink=0.7, pad=0.015)
        bar.set_label("pixel value [DN]")
        address = _finish(figure)
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
    scale, _ = _time_axis(traces.time_s)
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
        _dress(columns[0], traces)
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
        address = _finish(figure)
    return Picture(address, "Core acceleration against time, and its spectrum.", text)


def slow_pictures(traces: Traces) -> Picture | None:
    """Draw temperature and the camera's shift, whichever of them varies."""
    sensor_urad = traces.sensor_rad.astype(float) * 1e6
    kelvin = traces.temperature_k.astype(float)
    warm, shifted = np.ptp(kelvin) > 0, np.ptp(sensor_urad, axis=0).max() > 0
    if not (warm or shifted):
        return None
    starts = bin_starts(len(kelvin))
    scale, _ = _time_axis(traces.time_s)
    time = thin(traces.time_s * scale, starts, np.maximum.reduceat)
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(7.4, 2.6), layout="constrained")
        columns = iter(figure.subplots(1, int(warm) + int(shifted), squeeze=False)[0])
        if warm:
            axes = next(columns)
            axes.plot(time, thin_signed(kelvin, starts), color=VERMILION, lw=1.4)
            axes.set_ylabel("over reference [K]")
            axes.set_title("bench temperature")
            _dress(axes, traces)
        if shifted:
            axes = next(columns)
            shift = thin_signed(sensor_urad, starts)
            axes.plot(time, shift[:, 0], color=BLUE, lw=1.2, label="x")
            axes.plot(time, shift[:, 1], color=ORANGE, lw=1.2, ls=(0, (5, 1)), label="y")
            axes.set_ylabel("as mirror tilt [urad]")
            axes.set_title("shift of the camera against the fibres")
            axes.legend(loc="best", ncols=2)
            _dress(axes, traces)
        address = _finish(figure)
    text = "Bench temperature over the reference. " if warm else ""
    if shifted:
        text += (
            "The loop follows a shift of the camera faithfully and so turns it into true pointing "
            "error: no spot tells it apart from a mirror that moved."
        )
    return Picture(address, "Slow changes against time.", text)
