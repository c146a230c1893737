"""Pictures of a replay: loss over time for each loop, and margins with their intervals."""

from collections.abc import Sequence

import matplotlib
import numpy as np
from matplotlib.figure import Figure

from sim.report.drawing import BLUE, GREEN, INK, ORANGE, STYLE, VERMILION, Picture, finish
from sim.studies.replay.study import LossCourse, Replay

LOOKS = {"closed": (BLUE, "-"), "open": (ORANGE, "--"), "dark": (GREEN, ":")}
MOST_PANELS = 6


def courses(found: Replay) -> list[Picture]:
    """Draw the largest loss over time, one panel for each profile, axis and sense."""
    groups: dict[tuple[str, str, str], list[LossCourse]] = {}
    for course in found.courses:
        key = (course.case.profile, course.case.axis, course.case.sense)
        groups.setdefault(key, []).append(course)
    return [_course(found, group) for group in list(groups.values())[:MOST_PANELS]]


def _course(found: Replay, group: Sequence[LossCourse]) -> Picture:
    case = group[0].case
    limit = found.scenario.metrics.outage_excess_db
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(7.4, 2.9), layout="constrained")
        axes = figure.subplots()
        for course in group:
            colour, dash = LOOKS[course.case.loop]
            axes.plot(1e3 * course.time_s, np.maximum(course.excess_db, 1e-3), color=colour,
                      ls=dash, lw=1.3, label=f"{course.case.loop} loop")  # fmt: skip
        axes.axhline(limit, color=VERMILION, lw=1.2, label=f"outage limit {limit:g} dB")
        axes.set_yscale("log")
        axes.set_xlabel("time [ms]")
        axes.set_ylabel("largest misalignment loss [dB]")
        axes.set_xlim(0, 1e3 * group[0].time_s[-1])
        figure.legend(loc="outside lower center", ncols=4)
        address = finish(figure)
    words = f"{case.profile}, {case.along}, level {case.level:g}"
    return Picture(
        address, f"Largest loss over time: {words}.",
        f"{words}. The largest over all connections, in each sampling interval; above 40 dB it "
        "only says that there is no light.",
    )  # fmt: skip


def margins(found: Replay) -> Picture | None:
    """Draw the level at which each limit is first missed, with its interval."""
    rows = [row for row in found.margins if row["first_missed"] is not None]
    rows.sort(key=lambda row: float(row["first_missed"]))
    if not rows:
        return None
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(7.4, 0.9 + 0.3 * len(rows)), layout="constrained")
        axes = figure.subplots()
        for k, row in enumerate(rows[::-1]):
            low = row["factor_low"] or row["first_missed"]
            high = row["factor_high"] or max(row["levels_tried"])
            axes.plot([low, high], [k, k], color=LOOKS[row["loop"]][0], lw=4, alpha=0.5,
                      solid_capstyle="butt")  # fmt: skip
            axes.plot([row["factor"] or row["first_missed"]], [k], color=INK, marker="|", ms=12)
        axes.set_yticks(
            range(len(rows)),
            [f"{r['said']}, {r['along']}, {r['loop']}" for r in rows[::-1]],
        )
        axes.set_ylim(-0.6, len(rows) - 0.4)
        axes.set_xscale("log")
        axes.set_xlabel("level, as a multiple of the profile")
        asked = sorted({case["level"] for case in found.cases})
        for level in asked:
            axes.axvline(level, color=VERMILION, lw=0.8, ls=":")
        address = finish(figure)
    return Picture(
        address, "Level at which each limit is first missed.",
        "Mark: geometric middle between the highest level met with all noise seeds and the lowest "
        "missed with any. Bar: from that highest level to the lowest from which on all seeds "
        "miss. Dotted: levels that were played.",
    )  # fmt: skip
