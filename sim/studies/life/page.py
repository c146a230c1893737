"""The page of a life: does the switch stay inside its budget, what limits it, what helps."""

from typing import Any, Final

import numpy as np

from sim.foundations.files.text import counted
from sim.optics.lattice import lattice_places
from sim.report.study_page import Section, StudyPage, Table
from sim.results.units import number
from sim.scenario.portable import portable_toml
from sim.studies.life import plots
from sim.studies.life.clocks import clocks
from sim.studies.life.levers import Lever
from sim.studies.life.study import Life, connections_of
from sim.studies.life.switches import Switches
from sim.studies.life.totals import CAUSE_WORDS, CAUSES, CONTRIBUTORS, LIMITS, WORDS

NOTES: Final = (
    "Between steps the loop is taken as settled: slow errors are what its sensitivity at zero "
    "frequency leaves, and jitter is that of the loop analysis at the present light, resonance and "
    "gain.",
    "Each step stands for the time since the one before. Steps are at most life.step_h long, and "
    "start at ten seconds after the first power, when cooling fails or works again, and after a "
    "change of drive where dielectrics follow it.",
    "Dielectrics charge under the drive of each mirror with its corrections, as it was at the last "
    "event, at most 512 steps before.",
    "Losses of mirrors and ports grow in proportion to age at the reference temperature; wear that "
    "ends suddenly is a failure rate. Failures and moves are independent and equally likely at any "
    "time.",
    "While the monitor light is out or too dim to be read, the loops hold their last correction.",
    "Misalignment loss is the quadratic form of small errors; crosstalk is not counted.",
    "Rates and laws are those of the scenario. A life that was not lived is an extrapolation: hold "
    "it against tests of your own.",
)
YEARS_SHOWN: Final = 15
WORST_SHOWN: Final = 8
LOSS_WORDS: Final = {"mean": "mean", "median": "median", "p95": "95th percentile"}


def page_of(results: dict[str, Any], life: Life, found: Switches | None,
            tried: tuple[list[Lever], list[Lever]] | None) -> StudyPage:  # fmt: skip
    """Return the page.

    Parameters
    ----------
    results : dict
        As filed.
    life : Life
        The first switch.
    found : Switches, optional
        Of many.
    tried : (list of Lever, list of Lever), optional
        Causes halved, and other maintenance.
    """
    scenario = life.scenario
    g = scenario.switch.geometry
    where = {
        side: pitch * lattice_places(count, columns, g.lattice, g.outline)
        for side, count, columns, pitch in (
            ("A", g.ports_per_side, g.columns, g.pitch_mm),
            ("B", g.outputs or g.ports_per_side, g.output_columns or g.columns,
             g.output_pitch_mm or g.pitch_mm),
        )
    }  # fmt: skip
    contributors = {n: np.array(v) for n, v in results["contributors"].items()}
    pictures = [plots.losses(life, found)]
    if found is not None:
        pictures += [plots.survived(found), plots.losses(life, None)]
    sections = [
        Section("Loss over life", tables=[_answers(results)], pictures=pictures),
        Section("Connections that lose most", tables=[_worst(life)]),
        Section(
            "What it consists of",
            tables=[_contributors(results)],
            pictures=[plots.stacked(np.array(results["years"]), contributors)],
        ),
    ]
    if tried is not None:
        sections.append(Section(
            "What limits it, and what maintenance buys",
            texts=["Each row is the same life, with the same random numbers, and one thing "
                   "changed. Losses are of the last fifth of the life: the largest of any step, "
                   "and the median over connections."],
            tables=[_levers("Causes halved", tried[0]), _levers("Other maintenance", tried[1])],
            pictures=plots.intervals(tried[1]),
        ))  # fmt: skip
    sections += [
        Section("Spare ports", tables=[_spare_ports(results)]),
        Section("Availability", tables=[_availability(results)]),
        Section("Year by year", tables=[_years(results)]),
        Section(
            "Corrections and head-room",
            texts=[_headroom(results)],
            pictures=[plots.headroom(results), plots.arrays(life, where)],
        ),
    ]
    if results.get("episodes"):
        sections.append(Section(
            "Episodes, by the full loop", texts=[_played(results)], tables=[_episodes(results)]
        ))  # fmt: skip
    if results.get("overlap"):
        sections.append(Section(
            "Both clocks on one interval", tables=[_overlap(results)],
            pictures=[clocks(results["overlap"])],
        ))  # fmt: skip
    return StudyPage(
        title=f"{scenario.title}: a life of {counted(life.years, 'year')}",
        question=scenario.question,
        verdict=results["verdict"],
        good=results["met"],
        sections=sections,
        notes=NOTES,
        scenario_toml=portable_toml(scenario),
        strip=[("switches", str(results["switches"])), ("length", counted(life.years, "year"))],
    )


def verdict_of(results: dict[str, Any], agreement: str = "") -> str:
    """Return what decides, in a sentence; `agreement` says whether both clocks agree."""
    length, design = results["years"][-1], results["design_years"]
    over = f"Met over {length:.3g} of {counted(design, 'year')}"
    met = "Met" if length > 0.999 * design else over
    limit = results["limits_db"]["end_of_life"]
    missed = results["first_miss_years"]
    kept = results["availability"]["share"]
    if results["switches"] == 1:
        at = results["missed_at_years"]["end_of_life"]
        worst = results["worst"]
        head = (
            f"{met}: largest insertion loss {worst['max_db']:.3f} of {limit:g} dB, from input "
            f"{worst['input']} in year {worst['year']:.1f}"
            if at is None
            else f"Missed: a connection first exceeds {limit:g} dB after {at:.2f} years, by "
            f"{CAUSE_WORDS[results['missed_by']['end_of_life']['cause']]}"
        )
    else:
        share = 100 * (1 - missed["share_censored"])
        switches = counted(results["switches"], "switch", "switches")
        head = (
            f"{met}: none of {switches} exceeds {limit:g} dB"
            if share == 0
            else f"Missed: {share:.3g} % of {switches} exceed {limit:g} dB"
        )
        if missed["median"] is not None:
            head += f", half of all by {missed['median']:.2f} years"
        if missed["causes"]:
            cause, count = next(iter(missed["causes"].items()))
            head += f", {count} of them by {CAUSE_WORDS[cause]}"
    if not results["met"] and head.startswith("Met"):
        head = f"Not shown: {agreement}. {head}"
        agreement = ""
    end = f"; {agreement}." if agreement else "."
    return f"{head}; connections are in budget for {100 * kept:.5g} % of their hours{end}"


def _answers(results: dict[str, Any]) -> Table:
    rows = []
    for name in LIMITS:
        one, many = results["missed_at_years"][name], results["first_miss_years"]["by_limit"][name]
        words = f"first miss of the {plots.LIMIT_WORDS[name]}, {results['limits_db'][name]:g} dB"
        if results["switches"] == 1:
            by = results["missed_by"][name]
            rows.append([
                words,
                "never" if one is None
                else f"{one:.2f} years, input {by['input']}, {CAUSE_WORDS[by['cause']]}",
            ])  # fmt: skip
            continue
        censored = f"{100 * many['share_censored']:.3g} % of switches never"
        if many["median"] is None:
            rows.append([f"{words}, median", f"beyond the study ({censored})"])
        else:
            low = "-" if many["low"] is None else f"{many['low']:.2f}"
            high = "beyond" if many["high"] is None else f"{many['high']:.2f}"
            rows.append([
                f"{words}, median (95 %)",
                f"{many['median']:.2f} ({low} to {high}) years; {censored}",
            ])  # fmt: skip
        if many["causes"]:
            rows.append(["what it was, and in how many switches", "; ".join(
                f"{CAUSE_WORDS[cause]}: {count}" for cause, count in many["causes"].items()
            )])  # fmt: skip
        law = many.get("weibull")
        if law is not None:
            rows.append([
                "Weibull law of it (95 %)",
                f"shape {law['shape']:.2f} ({law['shape_low']:.2f} to {law['shape_high']:.2f}), "
                f"scale {law['scale_years']:.1f} ({law['scale_low_years']:.1f} to "
                f"{law['scale_high_years']:.1f}) years",
            ])  # fmt: skip
    last = results["max_db"][-1]
    rows.append(["largest loss in the last row", "dark" if last is None else number(last, "dB", 4)])
    if results["spares"] and results["switches"] == 1:
        left = results["max_with_spares_db"][-1]
        rows.append([
            f"the same with the best choice of {counted(results['spares'], 'spare port')} a side "
            "left dark",
            "dark" if left is None else number(left, "dB", 4),
        ])  # fmt: skip
    return Table("Answers", ["Question", "Answer"], rows)


def _worst(life: Life) -> Table:
    """Return the connections with the largest loss of any step; all are in connections.csv."""
    of = connections_of(life)
    order = sorted(
        range(len(of["input"])), key=lambda i: -(of["max_db"][i] or 0.0)
    )[:WORST_SHOWN]  # fmt: skip
    rows = [
        [
            str(of["input"][i]),
            *("dark" if (v := of[name][i]) is None else number(v, "dB", 4)
              for name in ("new_db", "median_db", "p95_db", "end_db", "max_db")),
            "-" if (at := of["max_at_year"][i]) is None else f"{at:.2f}",
            f"{of['out_h'][i]:.4g} h",
        ]
        for i in order
    ]  # fmt: skip
    head = ["Input", "new", "median", "95th percentile", "at the end", "largest", "in year",
            "out of budget"]  # fmt: skip
    return Table("Over the life of the first switch; all inputs are in connections.csv", head, rows)


def _spare_ports(results: dict[str, Any]) -> Table:
    first = results["spare_ports"][0]["max_db"]
    rows = []
    for row in results["spare_ports"]:
        left = row["max_db"]
        known = left is not None and first is not None
        rows.append([
            str(row["spares"]), "dark" if left is None else number(left, "dB", 4),
            number(first - left, "dB", 4) if known else "-",
        ])  # fmt: skip
    caption = (
        "Largest loss of any step over the last fifth of the first switch's life, with the best "
        "choice of ports left dark"
    )
    return Table(caption, ["Spare ports a side", "largest loss", "less by"], rows)


def _contributors(results: dict[str, Any]) -> Table:
    rows = []
    for name in CONTRIBUTORS:
        course = results["contributors"][name]
        rows.append([
            WORDS[name], number(course[0], "dB", 4), number(course[-1], "dB", 4),
            number(course[-1] - course[0], "dB", 4),
        ])  # fmt: skip
    return Table("Mean over connections", ["Contributor", "first row", "last row", "change"], rows)


def _levers(caption: str, tried: list[Lever]) -> Table:
    return Table(caption, ["Change", "largest loss", "less by", "median loss", "in budget"], [
        [one.change, number(one.max_db, "dB", 4), number(one.gain_db, "dB", 4),
         number(one.median_db, "dB", 4), f"{100 * one.availability:.5g}\u00a0%"]
        for one in tried
    ])  # fmt: skip


def _hours(hours: float) -> str:
    """Return connection-hours, in whole ones from a hundred on."""
    text = f"{hours:,.0f}".replace(",", "\N{NO-BREAK SPACE}") if hours >= 100 else f"{hours:.3g}"
    return f"{text} connection-hours"


def _availability(results: dict[str, Any]) -> Table:
    found = results["availability"]
    rows = [["in budget", f"{100 * found['share']:.6g} % of {_hours(found['connection_hours'])}"]]
    for cause in CAUSES:
        hours = found["out_by_cause_h"][cause]
        if hours:
            rows.append([f"out: {CAUSE_WORDS[cause]}", _hours(hours)])
    return Table("Connection-hours", ["State", "Time"], rows)


def _years(results: dict[str, Any]) -> Table:
    stride = max(1, -(-len(results["years"]) // YEARS_SHOWN))
    chosen = list(range(stride - 1, len(results["years"]), stride))
    rows = [
        [
            f"{results['years'][i]:.2f}",
            *("dark" if (v := results[name][i]) is None else number(v, "dB", 4)
              for name in ("median_db", "p95_db", "max_db")),
            f"{results['temperature_c'][i]:.1f} °C",
            f"{100 * results['light_share'][i]:.0f} %",
            f"{100 * results['headroom']['drive_share_max'][i]:.0f} %",
        ]
        for i in chosen
    ]  # fmt: skip
    head = ["Year", "median", "95th percentile", "largest", "temperature", "light", "drive used"]
    return Table("Rows of the life, the last of each group (first switch for light and drive)",
                 head, rows)  # fmt: skip


def _headroom(results: dict[str, Any]) -> str:
    found = results["headroom"]
    share, travel = max(found["drive_share_max"]), max(found["travel_share_max"])
    return (
        f"The most that any mirror asked for is {100 * share:.1f} % of its drive, and the furthest "
        f"that any tilts is {100 * travel:.1f} % of its travel; the largest correction at the end "
        f"is {found['correction_max_urad'][-1]:.0f} µrad."
    )


def _played(results: dict[str, Any]) -> str:
    """Return how episodes count."""
    lived, played = sum(results["episodes_lived"].values()), len(results["episodes"])
    text = f"{played} of {counted(lived, 'episode')} of the first switch simulated"
    if played < lived:
        text += ", the first of each kind and then the first of all"
    came = {name for name, count in results["episodes_lived"].items() if count}
    unknown = came - {one["name"] for one in results["episodes"]}
    if unknown:
        text += f"; none of {', '.join(sorted(unknown))} was, and they do not count"
    return (
        f"{text}. Their time over the end-of-life limit counts in the availability"
        f"{', others as the mean of these' if played < lived or results['switches'] > 1 else ''}; "
        "first misses are those of settled losses, without them."
    )


def _episodes(results: dict[str, Any]) -> Table:
    return Table(
        "Each simulated at its age",
        ["Episode", "year", "largest misalignment loss", "outage", "largest error",
         "out of budget"],
        [
            [e["name"], f"{e['year']:.2f}", number(e["excess_max_db"], "dB", 4),
             f"{e['outage_ms']:.1f} ms", f"{e['max_urad']:.0f} µrad",
             f"{3.6e6 * e['out_h']:.4g} ms of connections"]
            for e in results["episodes"]
        ],
    )  # fmt: skip


def _overlap(results: dict[str, Any]) -> Table:
    o = results["overlap"]
    bounds, agree, c = o["bounds"], o["agree"], o["correction_urad"]

    def kept(name: str) -> str:
        return "agrees" if agree[name] else "does not agree"

    full, slow = (np.array(c[clock]) for clock in ("full", "slow"))
    jitter = o["jitter_urad"]
    rows = [
        ["corrections, rms over mirrors and axes",
         *(f"{np.sqrt(np.mean(v**2)):.1f} µrad" for v in (full, slow)),
         f"{c['difference_rms']:.2f} µrad rms", f"{bounds['correction_rms_urad']:g} µrad",
         kept("correction_rms_urad")],
        ["correction of the mirror that differs most",
         *(f"{v[np.abs(full - slow).argmax()]:.1f} µrad" for v in (full, slow)),
         f"{c['difference_max']:.2f} µrad", f"{bounds['correction_max_urad']:g} µrad",
         kept("correction_max_urad")],
        *([f"insertion loss, {LOSS_WORDS[name]}", number(v["full"], "dB", 5),
           number(v["slow"], "dB", 5), number(abs(v["slow"] - v["full"]), "dB", 5),
           f"{bounds['loss_db']:g} dB", kept("loss_db")]
          for name, v in o["insertion_db"].items()),
        ["mean loss of the connection that differs most",
         *(number(o["connection_db"][clock][_furthest(o)], "dB", 5) for clock in ("full", "slow")),
         number(o["connection_db"]["difference_max"], "dB", 5), f"{bounds['connection_db']:g} dB",
         kept("connection_db")],
        ["jitter", f"{jitter['full']:.2f} µrad", f"{jitter['slow']:.2f} µrad",
         f"{abs(jitter['slow'] - jitter['full']):.2f} µrad",
         f"{bounds['jitter_share'] * jitter['full']:.2f} µrad", kept("jitter_share")],
    ]  # fmt: skip
    return Table(
        f"First {o['seconds']:g} s of the life; corrections without random wander, which each "
        "clock draws for itself",
        ["Figure", "full loop", "slow time", "difference", "bound", ""], rows,
    )  # fmt: skip


def _furthest(overlap: dict[str, Any]) -> int:
    """Return the connection whose mean loss differs most between both clocks."""
    full, slow = (np.array(overlap["connection_db"][clock]) for clock in ("full", "slow"))
    return int(np.abs(full - slow).argmax())
