"""What the pictures share: their look, their axis of time, and how they enter the page."""

import base64
import io
import math
from collections.abc import Sequence
from typing import Any, NamedTuple

from matplotlib.axes import Axes
from matplotlib.axis import Axis
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.ticker import Formatter, FuncFormatter, NullFormatter, StrMethodFormatter
from numpy.typing import NDArray

from sim.optics.epochs import Epoch
from sim.results.hold import HoldInterval
from sim.results.traces import Traces

# Blue, vermilion, green and orange of a palette made for colour-blind readers; the lines differ
# in dash and width too, so that they differ in grey.
BLUE, VERMILION, GREEN, ORANGE, INK = (
    "#0072B2",
    "#D55E00",
    "#009E73",
    "#E69F00",
    "#1d2733",
)
VIOLET = "#8c5a9e"
DEMAND: dict[str, Any] = {"color": GREEN, "lw": 1.4, "ls": "-."}
"""How pictures of loops draw what every loop must keep."""
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
    "text.parse_math": False,
    "svg.fonttype": "path",
    "path.simplify_threshold": 0.3,
}


SPAN = 100.0
"""Logarithmic axes that span less have labels between the powers of ten too."""


class Picture(NamedTuple):
    """One figure of the page."""

    address: str
    """data: address of the picture."""
    alt: str
    """What it shows, for those who cannot see it."""
    caption: str
    """How to read it, with counts and conventions."""


def finish(figure: Figure) -> str:
    """Return the figure as a data address; logarithmic axes get plain numbers, which draw fast."""
    for axes in figure.axes:
        for axis in (axes.xaxis, axes.yaxis):
            if axis.get_scale() in ("log", "symlog"):
                axis.set_major_formatter(StrMethodFormatter("{x:g}"))
                axis.set_minor_formatter(_between(axis))
    buffer = io.BytesIO()
    FigureCanvasSVG(figure).print_svg(buffer, metadata={"Date": None})
    return "data:image/svg+xml;base64," + base64.b64encode(buffer.getvalue()).decode("ascii")


def _between(axis: Axis) -> Formatter:
    """Labels between the powers of ten: where an axis spans so little that it has few of those."""
    low, high = sorted(axis.get_view_interval())
    if axis.get_scale() != "log" or low <= 0 or high > SPAN * low:
        return NullFormatter()
    named = (2, 5) if high > 10 * low else (2, 3, 4, 5, 7)

    def label(x: float, position: int | None = None) -> str:
        return f"{x:g}" if round(x / 10.0 ** math.floor(math.log10(x) + 1e-9)) in named else ""

    return FuncFormatter(label)


def time_axis(time_s: NDArray) -> tuple[float, str]:
    """Return the factor and the unit for a time axis: ms for runs under two seconds."""
    return (1e3, "ms") if time_s[-1] < 2.0 else (1.0, "s")


def dress(
    axes: Axes, traces: Traces, epochs: Sequence[Epoch] = (), hold: HoldInterval | None = None
) -> None:
    """Put time, commands and hold interval onto an axis of time."""
    scale, unit = time_axis(traces.time_s)
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


def key_below(axes: Axes, columns: int) -> None:
    """Put the key under the axis, clear of its label."""
    axes.legend(loc="upper center", bbox_to_anchor=(0.5, -0.2), ncols=columns, handlelength=2.6)
