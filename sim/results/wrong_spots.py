"""Readings of another mirror's spot: how many passed as good, how many were caught."""

from typing import Any, Final

from sim.results.traces import Traces

NAMES: Final = ("shared", "passed", "caught", "false_alarms")
"""Rows of `Traces.confusion`."""


def wrong_spots(traces: Traces) -> dict[str, Any]:
    """Count wrong readings over the whole run; None where no light of neighbours is simulated.

    Returns
    -------
    dict
        ``shared``, ``passed``, ``caught``, ``false_alarms``: frames of all mirrors as
        `Traces.confusion` has them; ``passed_pct``, the share of the readings that passed as good;
        ``mirrors``, how many had a wrong one that did.
    """
    if not traces.confusion.size:
        return dict.fromkeys((*NAMES, "passed_pct", "mirrors"))
    counts = dict(zip(NAMES, (int(row.sum()) for row in traces.confusion), strict=True))
    good = int(traces.status_frames[0].sum())
    return {
        **counts,
        "passed_pct": 100.0 * counts["passed"] / good if good else None,
        "mirrors": int((traces.confusion[1] > 0).sum()),
    }
