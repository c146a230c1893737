"""The page of yield: how many built switches pass, and what to buy first."""

from typing import Any, Final

from sim.foundations.files.text import counted
from sim.report.study_page import Section, StudyPage, Table
from sim.results.units import number
from sim.scenario.portable import portable_toml
from sim.studies.built import plots
from sim.studies.built.study import Yield
from sim.studies.connections.late_page import late_section

ENOUGH: Final = 0.95
"""Yield from which the verdict is called good."""
ASSUMPTIONS: Final = (
    "Losses are the largest of those at the data wavelength and at the edges of the data band, "
    "with the tilts found at the data wavelength; means, and the loops' residual error, are at the "
    "data wavelength. Without a band in the scenario, all are.",
    "Parts are drawn independently; connections of a switch share its mirrors, collimators and "
    "connectors, so the yield is counted over switches and is not a power of the connections' own.",
    "The end of life is one draw of ageing, shifts, temperature and mated connectors for each "
    "switch, every connection of which meets the same ports. The loops' residual error is added "
    "as the quantile of a quadratic form of normal errors, for the stated share of the time and "
    "for each connection by itself.",
    "Shifts are those that no camera sees; nothing is aimed again during the life.",
    "Spreads, ageing and limits are invented; they have not been measured on any hardware.",
)


def page_of(found: Yield) -> StudyPage:
    """Return the page."""
    r = found.results
    sections = [
        Section("Switches that pass", tables=[_shares(r), _losses(r)],
                pictures=[plots.curve(found)]),
    ]  # fmt: skip
    if found.bought:
        sections.append(
            Section(
                "What to buy down first", tables=[_bought(r)], pictures=[plots.first_to_buy(found)]
            )
        )
    sections.append(late_section(r["lives"]))
    scenario = found.scenario
    return StudyPage(
        title=f"Yield: {scenario.title}",
        question=scenario.question.strip(),
        verdict=found.verdict,
        good=r["share_of_switches_met"]["value"] >= ENOUGH,
        sections=sections,
        notes=ASSUMPTIONS,
        scenario_toml=portable_toml(scenario),
    )


def _shares(r: dict[str, Any]) -> Table:
    def row(words: str, share: dict[str, Any], digits: int = 2) -> list[str]:
        return [
            words, f"{100 * share['value']:.{digits}f} %",
            f"{100 * share['low']:.{digits}f} to {100 * share['high']:.{digits}f} %",
        ]  # fmt: skip

    ports = r["share_met_with_spares"]["ports_in_service"]
    rows = [
        row("switches with every connection good", r["share_of_switches_met"]),
        row("connections, over all switches", r["share_of_connections_met"], 4),
    ]
    if ports is not None:
        rows.append(
            row(
                f"switches with {counted(ports, 'good port')} a side, spares used",
                r["share_met_with_spares"],
            )
        )
    rows += [
        ["switches, if both limits were 1 dB higher",
         f"{100 * r['one_db_more']['share_of_switches_met']:.2f} %", ""],
        ["switches, if connections were independent (they are not)",
         f"{100 * r['if_connections_were_independent']:.2f} %", ""],
    ]  # fmt: skip
    return Table(
        f"{counted(r['switches'], 'switch', 'switches')} of "
        f"{counted(r['connections_per_switch'], 'connection')}",
        ["Share", "Value", "95 % interval"], rows,
    )  # fmt: skip


def _losses(r: dict[str, Any]) -> Table:
    rows = [
        [words, number(v["median"], "dB"), number(v["p95"], "dB"), number(v["max"], "dB"), limit]
        for words, v, limit in (
            ("new", r["new_worst_db"], f"{r['limits']['acceptance_db']:g} dB"),
            ("end of life", r["late_worst_db"], f"{r['limits']['end_of_life_db']:g} dB"),
        )
    ]
    return Table(
        "Loss of each switch's worst connection",
        ["When", "Median switch", "95 % of switches below", "Worst switch", "Limit"], rows,
    )  # fmt: skip


def _bought(r: dict[str, Any]) -> Table:
    return Table(
        f"Each tolerance halved, the same {counted(r['tolerance_switches'], 'switch', 'switches')}",
        ["Tolerance", "Key", "Now", "Gained [dB]", "Switches met [%]"],
        [
            [b["words"], b["key"], f"{b['value']:g}", f"{round(b['gained_db'], 3) + 0.0:.3f}",
             f"{100 * b['met']:.0f}"]
            for b in r["buy_first"]
        ],
    )  # fmt: skip
