"""The page of a comparison, its picture and its folder."""

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

import matplotlib
import numpy as np
from matplotlib.figure import Figure

from sim.foundations.files.filing import filed, put_page
from sim.foundations.files.text import counted
from sim.report.drawing import BLUE, GREEN, INK, ORANGE, STYLE, VERMILION, Picture, finish
from sim.report.study_page import Section, StudyPage, Table, render_study
from sim.results.units import number
from sim.studies.compare.model import Compared, CompareParams
from sim.studies.run.provenance import NOTHING_ASKED, Request, now, provenance

KIND: Final = "compare"
LINES: Final = ((BLUE, "-", "o"), (VERMILION, "--", "s"), (GREEN, "-.", "^"), (ORANGE, ":", "D"))


def results_of(params: CompareParams, found: Sequence[Compared]) -> dict[str, Any]:
    """Return what `compare.json` holds."""
    return {
        "connections": params.connections,
        "longest_outage_s": params.longest_outage_s,
        "limit_db": params.limit_db,
        "mechanisms": [
            {
                "name": c.params.name, "kind": c.params.kind,
                "rewired": [r._asdict() for r in c.rewired],
                "loss_mean_db": c.loss_mean_db, "loss_p99_db": c.loss_p99_db,
                "share_within_limit": c.within, "most_in_one_order": c.most,
                "holds_without_power": c.params.holds_without_power,
            }
            for c in found
        ],
    }  # fmt: skip


def write(
    params: CompareParams, found: Sequence[Compared], text: str, folder: str | Path, *,
    overwrite: bool, asked: Request = NOTHING_ASKED,
) -> Path:  # fmt: skip
    """Write compare.json, the figures that were stated, and report.html; return the folder."""
    folder = Path(folder)
    origin = provenance(None, now(), asked)
    page = page_of(params, found, text)._replace(provenance=origin)
    results = results_of(params, found) | {"verdict": page.verdict, "provenance": origin}
    with filed(folder, kind=KIND, overwrite=overwrite) as new:
        words = json.dumps(results, indent=1, allow_nan=False)
        (new / "compare.json").write_text(words, encoding="utf-8")
        (new / "mechanisms.toml").write_text(text, encoding="utf-8")
        put_page(new, lambda: render_study(page))
    return folder


def verdict_of(params: CompareParams, found: Sequence[Compared]) -> str:
    """Return which mechanism suits what, in sentences."""
    parts = []
    for c in found:
        most = "no order" if c.most is None else f"orders of up to {counted(c.most, 'connection')}"
        parts.append(
            f"{c.params.name}: {most} within {params.longest_outage_s:g} s, "
            f"{100 * c.within:.1f} % of connections within {params.limit_db:g} dB"
        )
    text = "; ".join(parts) + "."
    return text[:1].upper() + text[1:]


def page_of(params: CompareParams, found: Sequence[Compared], text: str) -> StudyPage:
    """Return the page."""
    times = Table(
        "Time until an order of k connections is done: median, and 99 % of orders",
        ["k", *(c.params.name for c in found)],
        [
            [str(found[0].rewired[n].k),
             *(f"{number(c.rewired[n].median_s)} s, {number(c.rewired[n].p99_s)} s"
               for c in found)]
            for n in range(len(found[0].rewired))
        ],
    )  # fmt: skip
    others = Table(
        "Loss, and what else decides",
        ["Mechanism", "Mean loss [dB]", "99 % of connections below [dB]",
         f"Within {params.limit_db:g} dB [%]", "Holds without power",
         "Left alone by one failure [%]"],
        [
            [c.params.name, f"{c.loss_mean_db:.2f}", f"{c.loss_p99_db:.2f}",
             f"{100 * c.within:.1f}", "yes" if c.params.holds_without_power else "no",
             f"{100 * c.params.bypass_of_failure:.0f}"]
            for c in found
        ],
    )  # fmt: skip
    return StudyPage(
        title=f"Mechanisms side by side, {counted(params.connections, 'connection')}",
        question="How long does it take to rewire k of N connections, and what is lost in each?",
        verdict=verdict_of(params, found),
        good=any(c.most is not None for c in found),
        sections=[
            Section("Time to rewire", tables=[times], pictures=[_picture(params, found)]),
            Section("Loss", tables=[others]),
        ],
        notes=[
            "Every figure is what the user stated; none is of a product, and none was measured.",
            "Moves of one mover follow each other; movers work side by side without hindering "
            "each other. Where all move at once, an order takes as long as its slowest move.",
            "Losses of the parts of a connection are independent normal laws, cut off at zero; "
            "for two mirrors the command connections has the whole computation.",
        ],
        scenario_toml=text,
        input_name="figures, as stated",
    )


def _picture(params: CompareParams, found: Sequence[Compared]) -> Picture:
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(7.4, 3.5), layout="constrained")
        left, right = figure.subplots(1, 2)
        for (colour, dash, sign), c in zip(LINES, found, strict=False):
            left.plot([r.k for r in c.rewired], [r.p99_s for r in c.rewired], color=colour, ls=dash,
                      marker=sign, ms=4, label=c.params.name)  # fmt: skip
            loss = np.sort(c.loss_db)
            right.plot(loss, 100 * np.arange(1, len(loss) + 1) / len(loss), color=colour, ls=dash)
        left.axhline(params.longest_outage_s, color=INK, lw=1.1, label="longest outage allowed")
        right.axvline(params.limit_db, color=INK, ls=(0, (1, 2)), label="limit on loss")
        left.set_xscale("log")
        left.set_yscale("log")
        left.set_xlabel("connections in one order")
        left.set_ylabel("time, 99 % of orders [s]")
        right.set_xlabel("loss of a connection [dB]")
        right.set_ylabel("connections that lose less [%]")
        handles, labels = left.get_legend_handles_labels()
        more, words = right.get_legend_handles_labels()
        figure.legend(handles + more, labels + words, loc="outside lower center", ncols=2)
        address = finish(figure)
    return Picture(
        address, "Time to rewire, and loss, of each mechanism.",
        "Left: 99 % of orders are done by then. Right: distribution over connections.",
    )  # fmt: skip
