"""The page itself: one HTML file that needs nothing else."""

from collections.abc import Mapping, Sequence
from importlib.resources import files
from typing import Any, NamedTuple

import numpy as np
from jinja2 import Environment, StrictUndefined
from numpy.typing import NDArray

from sim.optics.epochs import Epoch
from sim.report import run_plots as draw
from sim.report import surroundings_plots
from sim.results.hold import Hold
from sim.results.table import LIMITED
from sim.results.traces import SpotImages, Traces
from sim.results.units import beside, number, unit_sign


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
    hold = Hold(view.figures["hold"]["from_ms"], view.figures["hold"]["to_ms"])
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
            {
                **row,
                "words": LIMITED[row["name"]].heading,
                "value_text": beside(row["value"], row["limit"], LIMITED[row["name"]].unit),
                "limit_text": _limit_text(row["limit"], LIMITED[row["name"]].unit),
            }
            for row in view.limits
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


def _limit_text(limit: float, unit: str) -> str:
    return f"≤ {limit:g} {unit_sign(unit)}".rstrip()


def _flat(provenance: Mapping[str, Any]) -> Sequence[tuple[str, str]]:
    """Return provenance as rows; what is nested stands on one line."""
    return [
        (key, ", ".join(f"{k} {v}" for k, v in value.items()))
        if isinstance(value, Mapping)
        else (key, str(value))
        for key, value in provenance.items()
    ]
