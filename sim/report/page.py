"""The page itself: one HTML file that needs nothing else."""

from collections.abc import Mapping, Sequence
from importlib.resources import files
from typing import Any, Final, NamedTuple

import numpy as np
from jinja2 import Environment, StrictUndefined
from numpy.typing import NDArray

from sim.optics.epochs import Epoch
from sim.report import run_plots as draw
from sim.report import surroundings_plots
from sim.report.drawing import Hold
from sim.results.traces import SpotImages, Traces

LIMIT_WORDS: Final[dict[str, tuple[str, str]]] = {
    "settling_max_ms": ("Slowest settling", "ms"),
    "unsettled_max": ("Mirrors that never settled", ""),
    "rms_urad": ("Pointing error, rms", "urad"),
    "p99_urad": ("Pointing error, p99", "urad"),
    "max_urad": ("Pointing error, largest", "urad"),
    "coupling_p99_db": ("Total loss, p99", "dB"),
    "coupling_max_db": ("Total loss, largest", "dB"),
    "excess_max_db": ("Loss over aligned, largest", "dB"),
    "outage_ms": ("Outage of any one connection", "ms"),
    "time_to_light_max_ms": ("Slowest time to light", "ms"),
    "lost_frames_max": ("Frames with a lost spot", ""),
}
"""Each limit in words, and its unit."""


class ReportView(NamedTuple):
    """Everything the page shows; nothing is computed anew but what is needed to draw."""

    title: str
    question: str
    """What the scenario asks, in a sentence."""
    figures: Mapping[str, Any]
    """What `sim.results.metrics.evaluate` returned."""
    limits: Sequence[Mapping[str, Any]]
    """What `sim.results.limits.check_limits` returned."""
    traces: Traces
    epochs: Sequence[Epoch]
    images: SpotImages | None
    scenario_toml: str
    """The resolved scenario."""
    provenance: Mapping[str, Any]
    """Version, seed, packages, time: as `results.json` holds them."""
    notes: Sequence[str]
    """Warnings, assumptions and limits of this run."""
    shock_spectrum: tuple[NDArray[np.float64], NDArray[np.float64], float] | None
    """Frequencies (n,) [Hz], maximax (n, 3) [m/s^2], quality factor; None if not asked for."""
    outage_excess_db: float
    """Loss over the aligned loss above which a connection counts as out. [dB]"""
    ports: int
    """Ports on each side of the switch."""


def number(value: Any, unit: str = "", digits: int = 3) -> str:
    """Return a figure as people read it: a few digits and its unit, or words for none."""
    if value is None:
        return "no figure"
    if isinstance(value, bool) or not isinstance(value, int | float):
        return str(value)
    size = abs(value)
    if isinstance(value, int) or value == 0 or size >= 10**digits:
        text = f"{value:.0f}"
    elif size < 1e-3:
        text = f"{value:.2g}"
    else:
        text = f"{value:.{max(0, digits - 1 - int(np.floor(np.log10(size))))}f}"
    return f"{text} {unit}".strip()


def render(view: ReportView) -> str:
    """Return the report as one HTML page with its pictures inside.

    Parameters
    ----------
    view : ReportView
        What to show.

    Returns
    -------
    str
        The page. It loads nothing from elsewhere and runs no script. All text is escaped.
    """
    hold = Hold(view.figures["hold"]["from_ms"] * 1e-3, view.figures["hold"]["to_ms"] * 1e-3)
    wanted = {row["name"]: row["limit"] for row in view.limits}
    loss_limits = [
        (words, wanted[name])
        for name, words in (
            ("coupling_max_db", "limit on the largest"),
            ("coupling_p99_db", "limit on p99"),
        )
        if name in wanted
    ]
    worst = [row["name"].split()[0] for row in view.figures["worst_mirrors"]]
    images = view.images
    environment = Environment(
        autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    environment.filters["number"] = number
    template = environment.from_string(
        files("sim.report").joinpath("template.html").read_text(encoding="utf-8")
    )
    return template.render(
        view=view,
        f=view.figures,
        limits=[
            {**row, "words": words, "unit": unit}
            for row in view.limits
            for words, unit in [LIMIT_WORDS.get(row["name"], (row["name"], ""))]
        ],
        missed=sum(not row["met"] for row in view.limits),
        provenance=list(_flat(view.provenance)),
        error_picture=draw.error_over_time(
            view.traces,
            view.epochs,
            hold,
            view.figures["settling"]["tolerance_urad"],
            wanted.get("max_urad"),
        ),
        excess_picture=draw.excess_over_time(view.traces, view.epochs, hold, view.outage_excess_db)
        if view.traces.excess_db.size
        else None,
        loss_picture=draw.loss_histogram(view.traces, view.epochs, hold, loss_limits),
        spot_picture=None
        if images is None
        else surroundings_plots.spot_pictures(images, view.traces, view.ports, worst),
        acceleration_picture=surroundings_plots.acceleration_pictures(
            view.traces, view.shock_spectrum
        ),
        slow_picture=surroundings_plots.slow_pictures(view.traces),
    )


def _flat(provenance: Mapping[str, Any]) -> Sequence[tuple[str, str]]:
    """Return provenance as rows; what is nested stands on one line."""
    return [
        (key, ", ".join(f"{k} {v}" for k, v in value.items()))
        if isinstance(value, Mapping)
        else (key, str(value))
        for key, value in provenance.items()
    ]
