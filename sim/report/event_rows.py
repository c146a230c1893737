"""The table of a run's events, and when they last, as the page shows them."""

from collections.abc import Mapping, Sequence
from typing import Any

from sim.foundations.files.text import counted
from sim.report.event_marks import EventSpan
from sim.results.connection_losses import DARK_DB
from sim.results.units import number

NO_END = "the end"
MOST_ROWS = 40


def event_rows(rows: Sequence[Mapping[str, Any]]) -> list[dict[str, str]]:
    """Return the cells of each event, in words; of the first `MOST_ROWS`."""
    return [_cells(place, row) for place, row in enumerate(rows[:MOST_ROWS], start=1)]


def event_spans(figures: Mapping[str, Any]) -> list[EventSpan]:
    """Return when each event lasts, numbered as in the table."""
    return [
        EventSpan(place, 1e-3 * row["from_ms"], 1e-3 * row["lasts_to_ms"])
        for place, row in enumerate(figures["events"]["rows"], start=1)
    ]  # fmt: skip


def _cells(place: int, row: Mapping[str, Any]) -> dict[str, str]:
    names = row["mirror_names"]
    if row["mirrors"] > len(names):
        names = [*names[:2], "\N{HORIZONTAL ELLIPSIS}", names[-1]]
    struck = f"{counted(row['mirrors'], 'mirror')}: {', '.join(names)}"
    end = number(row["to_ms"], "ms") if row["ends"] else NO_END
    return {
        "number": str(place),
        "name": row["name"][:1].upper() + row["name"][1:],
        "when": f"{number(row['from_ms'], 'ms')} \N{EN DASH} {end}",
        "struck": f"{struck}; {counted(row['connections'], 'connection')}",
        "worst": _loss(row["worst"]),
        "others": _loss(row["others"]),
        "crosstalk": _crosstalk(row["crosstalk"]),
        "out": f"{number(row['outage_ms'], 'ms')} ({row['connections_out']} out)"
        if row["connections_out"] else "none",
        "back": _back(row),
    }  # fmt: skip


def _loss(worst: Mapping[str, Any] | None) -> str:
    if worst is None:
        return "\N{EN DASH}"
    size = "dark" if worst["excess_db"] > DARK_DB else number(worst["excess_db"], "dB")
    name = worst["name"].replace(" -> out ", "\N{NO-BREAK SPACE}\N{RIGHTWARDS ARROW} out ")
    return f"{size}, {name}"


def _crosstalk(found: Mapping[str, Any] | None) -> str:
    if found is None:
        return "\N{EN DASH}"
    size = f"{number(found['db'], 'dB')} below the beam"
    more = " (or more: not all passages were worked out)" if found["at_least"] else ""
    return f"{size}, {found['from']} into {found['into']}{more}"


def _back(row: Mapping[str, Any]) -> str:
    if not row["ends"]:
        return "lasts to the end"
    if row["recovery_ms"] is None:
        return f"not back: {len(row['still_out'])} still out"
    lit = f"light {number(row['recovery_ms'], 'ms')}"
    light = lit if row["connections_out"] else "never out"
    if row["settled_ms"] is None:
        return f"{light}; not settled"
    return f"{light}; settled {number(row['settled_ms'], 'ms')}"
