"""Who is behind each limited figure: connections and mirrors, the worst first."""

from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final, NamedTuple

from sim.results.connection_losses import DARK_DB
from sim.results.ranking import Ranking
from sim.results.table import LIMITED

SHOWN: Final = 5
FEW_TABLES, SHOWN_OF_MANY = 3, 3
"""With more tables than this, each shows fewer rows: the page prints on five sheets."""
NEVER: Final = float("inf")
CONNECTIONS: Final = {
    "coupling.excess_max_db": ("excess_max_db", "misalignment loss", ""),
    "coupling.max_db": ("max_db", "insertion loss", ""),
    "coupling.p99_db": ("p99_db", "99th percentile of the insertion loss", ""),
    "coupling.outage_ms": ("outage_ms", "outage", "No connection was out."),
    "time_to_light.max_ms": ("light_ms", "time to light", "No connection was moved."),
}
MIRRORS: Final = {
    "pointing.max_urad": ("max_urad", "largest error", ""),
    "pointing.rms_urad": ("rms_urad", "rms error", ""),
    "pointing.p99_urad": ("p99_urad", "99th percentile of the error", ""),
    "settling.max_ms": ("settling_ms", "settling", "No mirror was moved."),
    "settling.unsettled": ("settling_ms", "settling", "No mirror was moved."),
    "lost.frames": ("lost_frames", "lost frames", ""),
}
"""Figure -> column, words, and what is said where there is nothing to rank."""


class RankTable(NamedTuple):
    """One table, or its caption alone as a sentence."""

    caption: str
    heads: Sequence[tuple[str, bool]]
    """Words, and whether the rows are ranked by this column."""
    rows: Sequence[Sequence[str]]


class _Column(NamedTuple):
    key: str
    head: str
    cell: Callable[[Mapping[str, Any]], str]


def rankings(rows: Ranking, limits: Sequence[Mapping[str, Any]]) -> list[RankTable]:
    """Return a table for each limited figure that has connections or mirrors behind it.

    Where no limited figure has any, connections are ranked by misalignment loss and mirrors by
    their largest error.

    Parameters
    ----------
    rows : Ranking
        From `sim.results.ranking.rank`.
    limits : sequence of mapping
        From `sim.results.limits.check_limits`.
    """
    if not rows.mirrors:
        return []
    asked = [LIMITED[row["name"]].path for row in limits]
    found = []
    for what, of, columns, known, usual in (
        ("Connections", rows.connections, _connection_columns(rows), CONNECTIONS,
         "coupling.excess_max_db"),
        ("Mirrors", rows.mirrors, _mirror_columns(rows), MIRRORS, "pointing.max_urad"),
    ):  # fmt: skip
        if not of:
            continue
        paths = [path for path in asked if path in known]
        tables = [
            _table(f"{what}, by {words}", of, columns, key, none)
            for key, words, none in dict.fromkeys(known[path] for path in paths)
        ]
        if not any(table.rows for table in tables):
            key, words, none = known[usual]
            tables.append(_table(f"{what}, by {words}", of, columns, key, none))
        found += tables
    found = [table for table in found if table.rows or table.caption]
    if len(found) <= FEW_TABLES:
        return found
    return [table._replace(rows=table.rows[:SHOWN_OF_MANY]) for table in found]


def _table(
    caption: str, of: Mapping[str, list[Any]], columns: Sequence[_Column], key: str, none: str
) -> RankTable:
    each = [dict(zip(of, values, strict=True)) for values in zip(*of.values(), strict=True)]
    order = sorted(range(len(each)), key=lambda i: (-_size(each[i], key), i))[:SHOWN]
    order = [i for i in order if _size(each[i], key) > 0]
    heads = [(c.head, c.key == key) for c in columns]
    rows = [[c.cell(each[i]) for c in columns] for i in order]
    return RankTable(caption if rows else none, heads, rows)


def _size(row: Mapping[str, Any], key: str) -> float:
    """What is ranked; one that never came is worst, one that was not moved has nothing."""
    if key in ("settling_ms", "light_ms"):
        if not row["commands"]:
            return 0.0
        return NEVER if row["never"] else float(row[key])
    return float(row[key])


def _connection_columns(rows: Ranking) -> list[_Column]:
    columns = [
        _Column("name", "Connection", lambda r: str(r["name"]).replace("->", "→")),
        _Column("excess_max_db", "Misalignment loss [dB]", lambda r: _loss(r["excess_max_db"])),
        _Column("at_s", "At [s]", lambda r: f"{r['at_s']:.3f}"),
        _Column("max_db", "Insertion loss [dB]", lambda r: _loss(r["max_db"])),
        _Column("p99_db", "Its p99 [dB]", lambda r: _loss(r["p99_db"])),
        _Column("outage_ms", "Outage [ms]", lambda r: f"{r['outage_ms']:.2f}"),
        _Column("longest_outage_ms", "Longest [ms]", lambda r: f"{r['longest_outage_ms']:.2f}"),
        _Column("recovery_ms", "Recovery [ms]", lambda r: _late(r["recovery_ms"], "not yet")),
    ]
    if any(rows.connections.get("commands", ())):
        columns.append(_Column("light_ms", "To light [ms]", lambda r: _arrival(r, "light_ms")))
    return columns


def _mirror_columns(rows: Ranking) -> list[_Column]:
    columns = [
        _Column("name", "Mirror", lambda r: str(r["name"])),
        _Column("max_urad", "Largest error [µrad]", lambda r: f"{r['max_urad']:.1f}"),
        _Column("at_s", "At [s]", lambda r: f"{r['at_s']:.3f}"),
        _Column("rms_urad", "Rms [µrad]", lambda r: f"{r['rms_urad']:.1f}"),
        _Column("p99_urad", "p99 [µrad]", lambda r: f"{r['p99_urad']:.1f}"),
    ]
    if any(rows.mirrors["commands"]):
        columns.append(
            _Column("settling_ms", "Settling [ms]", lambda r: _arrival(r, "settling_ms"))
        )
    if any(rows.mirrors["lost_frames"]):
        columns.append(_Column("lost_frames", "Lost frames", lambda r: str(r["lost_frames"])))
        columns.append(_Column("lost_cause", "Mostly", lambda r: str(r["lost_cause"] or "")))
    return columns


def _loss(value: float | None) -> str:
    if value is None:
        return "dark"
    return "dark" if value > DARK_DB else f"{value:.3f}"


def _late(value: float | None, never: str) -> str:
    return never if value is None else f"{value:.2f}"


def _arrival(row: Mapping[str, Any], key: str) -> str:
    if not row["commands"]:
        return "not moved"
    return f"never, {row['never']} of {row['commands']}" if row["never"] else f"{row[key]:.2f}"
