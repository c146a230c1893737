"""A table for each limited figure, its worst first, and what is said where there is none."""

from sim.report.rankings import rankings
from sim.results.ranking import Ranking


def made() -> Ranking:
    n = 8
    connections = {
        "name": [f"in {k} -> out {k}" for k in range(n)],
        "excess_max_db": [0.1 * k for k in range(n)],
        "at_s": [0.0] * n, "max_db": [2.0 - 0.1 * k for k in range(n)],
        "p99_db": [1.0] * 7 + [None], "aligned_db": [0.7] * n, "outage_ms": [0.0] * n,
        "longest_outage_ms": [0.0] * n, "recovery_ms": [0.0] * n,
        "commands": [0, 1, 1, 1, 1, 1, 1, 1], "never": [0, 0, 1, 0, 0, 0, 0, 0],
        "light_ms": [None, 5.0, None, 4.0, 3.0, 2.0, 1.0, 0.5],
    }  # fmt: skip
    mirrors = {
        "name": [f"A{k:02d}" for k in range(n)], "rms_urad": [1.0] * n, "p99_urad": [2.0] * n,
        "max_urad": [10.0 - k for k in range(n)], "at_s": [0.0] * n, "commands": [1] * n,
        "never": [0] * n, "settling_ms": [float(k) for k in range(n)],
        "lost_frames": [0, 0, 3, 9, 0, 0, 0, 0],
        "lost_cause": [None, None, "dim", "edge", None, None, None, None],
    }  # fmt: skip
    return Ranking(connections, mirrors, {})


def limits(*names: str) -> list[dict[str, object]]:
    return [{"name": name, "limit": 1.0, "value": 0.5, "met": True} for name in names]


def firsts(*names: str) -> dict[str, str]:
    return {t.caption: t.rows[0][0] if t.rows else "" for t in rankings(made(), limits(*names))}


def test_each_limited_figure_has_its_table_with_the_worst_first():
    found = firsts("excess_max_db", "coupling_max_db", "time_to_light_max_ms", "lost_frames_max")
    assert found == {
        "Connections, by misalignment loss": "in 7 → out 7",
        "Connections, by insertion loss": "in 0 → out 0",
        "Connections, by time to light": "in 2 → out 2",  # one that never came is the worst
        "Mirrors, by lost frames": "A03",
    }


def test_what_never_happened_is_a_sentence_and_the_usual_ranking_stands_in():
    found = firsts("outage_ms")
    assert found["No connection was out."] == ""
    assert found["Connections, by misalignment loss"] == "in 7 → out 7"
    assert found["Mirrors, by largest error"] == "A00"


def test_many_tables_are_short_so_that_the_page_can_be_filed():
    few = rankings(made(), limits("excess_max_db"))
    many = rankings(made(), limits("excess_max_db", "coupling_max_db", "max_urad", "rms_urad"))
    assert len(few[0].rows) == 5 and len(many) == 4
    assert all(len(table.rows) == 3 for table in many)


def test_an_empty_hold_interval_has_no_tables():
    assert rankings(Ranking({}, {}, {}), limits("excess_max_db")) == []
