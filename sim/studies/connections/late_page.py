"""The part of a page about many lives of one switch."""

from typing import Any

from sim.foundations.files.text import counted
from sim.report.study_page import Section, Table
from sim.results.units import number
from sim.studies.connections.end_of_life import WORDS
from sim.studies.connections.summary import looked_at_words


def late_section(late: dict[str, Any], taken_over: str = "") -> Section:
    """Return the section from the figures of `many_lives`; `taken_over` says from which life."""
    share = late["share_of_lives_met"]
    limit = f"{late['limit_db']:g} dB"
    added = Table(
        "What the years add, mean over connections and lives", ["Contributor", "Added"],
        [[WORDS[name], number(value, "dB")] for name, value in late["added"].items()],
    )
    worst = Table(
        f"Connections that lose most, on the mean of {counted(late['lives'], 'life', 'lives')}",
        ["Connection", "Mean [dB]", "95 % interval [dB]", "Largest [dB]",
         f"Lives over {limit} [%]", "95 % interval [%]"],
        [
            [named(w),
             f"{w['mean_db']:.3f}", f"{w['low_db']:.3f} to {w['high_db']:.3f}",
             f"{w['largest_db']:.3f}", f"{100 * w['over']['value']:.0f}",
             f"{100 * w['over']['low']:.0f} to {100 * w['over']['high']:.0f}"]
            for w in late["worst"]
        ],
    )  # fmt: skip
    which = "every connection" if late["sample"] is None else "every connection looked at"
    all_of = "all connections" if late["sample"] is None else "the sample's connections"
    return Section(
        "Many lives of one switch",
        [
            *([taken_over] if taken_over else []),
            f"The switch of seed {late['seed']}, {counted(late['lives'], 'life', 'lives')}: "
            f"{100 * share['value']:.0f} % of them keep {which} within {limit} (95 % "
            f"interval {100 * share['low']:.0f} to {100 * share['high']:.0f} %). Mean of {all_of} "
            f"and lives {number(late['mean_db'], 'dB')}, 99 % below "
            f"{number(late['p99_db'], 'dB')}, largest {number(late['max_db'], 'dB')}. The mean of "
            "each, with its interval, is in end_of_life.csv.",
            *_sample_words(late),
        ],
        [added, worst],
    )


def _sample_words(late: dict[str, Any]) -> list[str]:
    if late["sample"] is None:
        return []
    return [
        f"Looked at were the {looked_at_words(late)} by an estimate: the loss when new, ageing, "
        "connectors mated anew, and shifts through one quadratic form. By that estimate no other "
        f"connection exceeds {number(late['sample']['others_estimate_db'], 'dB')} in any of these "
        "lives: if it comes out no further above its own than the furthest that was looked at.",
    ]


def named(row: dict[str, Any]) -> str:
    """Return the name of a connection that a line of a table does not break."""
    return f"in {row['input']} → out {row['output']}".replace(" ", "\N{NO-BREAK SPACE}")
