"""Pictures of a life: losses over years, survival, contributors, maps."""

from collections.abc import Mapping, Sequence
from typing import Any, Final

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from sim.foundations.files.text import counted
from sim.foundations.ports import Array
from sim.report.drawing import BLUE, GREEN, INK, ORANGE, STYLE, VERMILION, Picture, finish
from sim.studies.life.levers import Lever
from sim.studies.life.noted import AIMED, MEASURED
from sim.studies.life.schedule import YEAR_S
from sim.studies.life.study import Life
from sim.studies.life.switches import Switches
from sim.studies.life.totals import CONTRIBUTORS, LIMITS, WORDS

SERVICE: Final = {AIMED: "|", MEASURED: "+"}
LIMIT_WORDS: Final = {"acceptance": "acceptance limit", "end_of_life": "end-of-life limit"}
COLOURS: Final = (BLUE, "#56B4E9", GREEN, "#9aa5b0", ORANGE, VERMILION)


def losses(life: Life, found: Switches | None) -> Picture:
    """Draw insertion loss over the years, with both limits."""
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(7.4, 3.6), layout="constrained")
        axes = figure.subplots()
        if found is None:
            years = np.array([row.year for row in life.rows])
            mean = np.stack([row.mean_db for row in life.rows])
            for share, colour in ((5, "#cfe3f1"), (25, "#9cc8e3")):
                low, high = np.percentile(mean, [share, 100 - share], axis=1)
                axes.fill_between(
                    years, low, high, color=colour, lw=0,
                    label=f"{100 - 2 * share} % of connections",
                )  # fmt: skip
            axes.plot(years, np.median(mean, axis=1), color=BLUE, lw=1.8, label="median")
            peak = np.array([np.nanmax(row.peak_db) for row in life.rows])
            axes.plot(years, peak, color=VERMILION, lw=1.4, ls="--", label="largest")
            caption = (
                f"Insertion loss of {counted(life.plant.n_connections, 'connection')}, mean of "
                "each over a row of the table; the largest is that of any step."
            )
        else:
            years, count = found.years, len(found.courses_db["max_db"])
            low, middle, high = np.nanpercentile(found.courses_db["max_db"], [5, 50, 95], axis=0)
            axes.fill_between(years, low, high, color="#f3cdb4", lw=0, label="largest, 90 %")
            axes.plot(years, middle, color=VERMILION, lw=1.4, ls="--", label="largest, median")
            low, high = np.percentile(found.courses_db["p95_db"], [5, 95], axis=0)
            axes.fill_between(years, low, high, color="#cfe3f1", lw=0, label="p95, 90 %")
            middle = np.median(found.courses_db["median_db"], axis=0)
            axes.plot(years, middle, color=BLUE, lw=1.8, label="median connection, median")
            caption = (
                f"{counted(count, 'switch', 'switches')}; of each the median, 95th percentile and "
                "largest connection. Bands hold 90 % of the switches."
            )
        _limits(axes, {name: getattr(life.plant.budget, f"{name}_db") for name in LIMITS})
        if found is None:
            _marks(axes, life)
        axes.set_xlabel("age [years]")
        axes.set_ylabel("insertion loss [dB]")
        axes.set_xlim(0, life.years)
        axes.set_ylim(0, None)
        figure.legend(loc="outside lower center", ncols=4)
        address = finish(figure)
    return Picture(address, "Insertion loss over the years with both limits.", caption)


def _marks(axes: Axes, life: Life) -> None:
    """Mark what happened, a sign for each kind, along the foot of the picture."""
    kinds = list(dict.fromkeys(words for _, words in life.lived.notable))
    signs = iter("v^sDoXP*<>" * 3)  # those of service are strokes, below the others
    for kind in kinds:
        at = [s / YEAR_S for s, words in life.lived.notable if words == kind]
        stroke = SERVICE.get(kind)
        axes.plot(
            at, [0.02 if stroke else 0.08] * len(at), stroke or next(signs), color=INK,
            ms=7.0 if stroke else 4.5, lw=0, label=kind, clip_on=False,
            transform=axes.get_xaxis_transform(),
        )  # fmt: skip


def _limits(axes: Axes, limits_db: Mapping[str, float]) -> None:
    low, high = (limits_db[name] for name in LIMITS)
    close = high - low < 0.1 * high
    for (name, limit), style in zip(limits_db.items(), (":", "-"), strict=True):
        below = close and limit == low
        axes.axhline(limit, color=INK, lw=1.1, ls=style)
        axes.annotate(
            f"{LIMIT_WORDS[name]} {limit:g} dB", (1.0, limit), xycoords=("axes fraction", "data"),
            xytext=(-2, -3 if below else 3), textcoords="offset points", ha="right",
            va="top" if below else "bottom", fontsize=8,
        )  # fmt: skip


def survived(found: Switches) -> Picture:
    """Draw the share of switches that have not missed a limit yet."""
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(7.4, 3.0), layout="constrained")
        axes = figure.subplots()
        for name, colour, dash in zip(LIMITS, (ORANGE, BLUE), ("--", "-"), strict=True):
            curve = found.survival(name)
            at = np.concatenate([[0.0], curve.years, [found.length_years]])
            share = np.concatenate([[1.0], curve.share])
            share = np.append(share, share[-1])
            axes.step(at, 100 * share, where="post", color=colour, ls=dash, lw=1.6,
                      label=f"inside the {LIMIT_WORDS[name]}")  # fmt: skip
            if curve.years.size:
                low = np.nan_to_num(curve.low, nan=0.0)
                high = np.nan_to_num(curve.high, nan=1.0)
                axes.fill_between(
                    np.append(curve.years, found.length_years),
                    100 * np.append(low, low[-1]), 100 * np.append(high, high[-1]),
                    step="post", color=colour, alpha=0.18, lw=0,
                )  # fmt: skip
        axes.set_xlabel("age [years]")
        axes.set_ylabel("switches without a miss [%]")
        axes.set_xlim(0, found.length_years)
        axes.set_ylim(0, 102)
        axes.legend(loc="lower left")
        address = finish(figure)
    return Picture(
        address, "Survival of switches against both limits.",
        "Kaplan-Meier estimate with its 95 % interval (Greenwood's variance on log(-log S)); "
        "switches that outlive the study are censored. A switch misses a limit at its first step "
        "with any connection above it.",
    )  # fmt: skip


def stacked(years: Array, contributors_db: Mapping[str, Array]) -> Picture:
    """Draw what the mean loss consists of over the years."""
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(7.4, 3.2), layout="constrained")
        axes = figure.subplots()
        axes.stackplot(
            years, *[contributors_db[name] for name in CONTRIBUTORS], colors=COLOURS,
            labels=[WORDS[name] for name in CONTRIBUTORS], lw=0,
        )  # fmt: skip
        axes.set_xlabel("age [years]")
        axes.set_ylabel("mean insertion loss [dB]")
        axes.set_xlim(years[0], years[-1])
        handles, labels = axes.get_legend_handles_labels()
        figure.legend(handles[::-1], labels[::-1], loc="outside right upper")
        address = finish(figure)
    return Picture(
        address, "Contributors to the mean loss over the years.",
        "Mean over connections and over a row of the table.",
    )  # fmt: skip


def arrays(life: Life, places_mm: Mapping[str, Array]) -> Picture:
    """Draw the correction and the use of the drive of every mirror at the end."""
    last, count = life.rows[-1], life.plant.n_connections
    numbers = life.plant.built.parts.mirrors
    ports = life.scenario.switch.geometry.ports_per_side
    correction = 1e6 * np.hypot(*last.correction_rad.T)
    share = 100 * np.max([row.drive_share for row in life.rows], axis=0).max(axis=1)
    with matplotlib.rc_context(STYLE | {"axes.grid": False}):
        figure = Figure(figsize=(7.4, 5.0), layout="constrained")
        grid = figure.subplots(2, 2)
        for row, (values, label) in enumerate(
            ((correction, "correction at the end [µrad]"), (share, "largest use of the drive [%]"))
        ):
            for column, side in enumerate("AB"):
                own = slice(0, count) if side == "A" else slice(count, None)
                place = places_mm[side][numbers[own] - (0 if side == "A" else ports)]
                axes = grid[row, column]
                drawn = axes.scatter(
                    *place.T, c=values[own], cmap="cividis", vmin=0, vmax=values.max(), s=46
                )
                worst = int(values[own].argmax())
                port = int(numbers[own][worst]) - (0 if side == "A" else ports)
                axes.annotate(f"{side}{port:02d}", place[worst], xytext=(4, 4),
                              textcoords="offset points", fontsize=7.5)  # fmt: skip
                axes.set_aspect("equal")
                axes.set_title(f"array {side}")
                axes.set_xlabel("x [mm]")
                axes.set_ylabel("y [mm]")
                axes.margins(0.08)
            figure.colorbar(drawn, ax=grid[row, :], label=label, shrink=0.9)
        address = finish(figure)
    return Picture(
        address, "Maps of both arrays: corrections and use of the drive.",
        "Each dot is a mirror at its place; the largest of each array is named. The drive includes "
        "the aim itself.",
    )  # fmt: skip


def headroom(results: Mapping[str, Any]) -> Picture:
    """Draw how corrections grow, and what is left of drive and travel."""
    years, found = results["years"], results["headroom"]
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(7.4, 2.9), layout="constrained")
        left, right = figure.subplots(1, 2)
        for name, words, colour, dash in (
            ("correction_max_urad", "largest", VERMILION, "--"),
            ("correction_rms_urad", "rms over mirrors", BLUE, "-"),
        ):
            left.plot(years, found[name], color=colour, ls=dash, lw=1.5, label=words)
        left.set_ylabel("correction [µrad]")
        for name, words, colour, dash in (
            ("drive_share_max", "drive", BLUE, "-"), ("travel_share_max", "travel", ORANGE, "--"),
        ):  # fmt: skip
            right.plot(years, 100 * np.array(found[name]), color=colour, ls=dash, lw=1.5,
                       label=words)  # fmt: skip
        right.axhline(100.0, color=INK, lw=1.1)
        right.set_ylabel("largest use of any mirror [%]")
        right.set_ylim(0, None)
        for axes in (left, right):
            axes.set_xlabel("age [years]")
            axes.set_xlim(0, years[-1])
            axes.legend(loc="best")
        left.set_ylim(0, None)
        address = finish(figure)
    return Picture(
        address, "Corrections, and use of drive and travel, over the years.",
        "Corrections at the end of each row; drive and travel the largest of any step, aims "
        "included. At 100 % there is no head-room left.",
    )  # fmt: skip


def intervals(tried: Sequence[Lever]) -> list[Picture]:
    """Draw loss against the interval of aiming; nothing where fewer than three are known."""
    points = sorted((one.repeak_days, one.max_db, one.median_db) for one in tried
                    if one.repeak_days is not None)  # fmt: skip
    if len(points) < 3:
        return []
    days, largest, median = zip(*points, strict=True)
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(7.4, 2.9), layout="constrained")
        axes = figure.subplots()
        axes.plot(days, largest, "o--", color=VERMILION, lw=1.4, ms=5, label="largest")
        axes.plot(days, median, "s-", color=BLUE, lw=1.6, ms=5, label="median connection")
        axes.set_xscale("log")
        axes.set_xticks(days, [f"{day:.3g}" for day in days])
        axes.minorticks_off()
        axes.set_xlabel("all beams are aimed anew every so many days")
        axes.set_ylabel("insertion loss [dB]")
        axes.set_ylim(0, 1.1 * max(largest))
        axes.legend(loc="lower right")
        address = finish(figure)
    return [Picture(
        address, "Insertion loss against the interval of aiming.",
        "Over the last fifth of the life: the largest of any step, and the mean of the median over "
        "connections. Inspections that aim beams anew go on.",
    )]  # fmt: skip
