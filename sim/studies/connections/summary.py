"""What the table of connections comes to: the figures of `connections.json`."""

from functools import reduce
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.foundations.files.text import counted
from sim.foundations.ports import Array
from sim.optics.budgets import BudgetParams
from sim.optics.switch import SwitchParams
from sim.results.table import LIMITED
from sim.results.units import number, number_beside
from sim.studies.connections.aim import PROBES_PER_ROUND, peaking_loss_db
from sim.studies.connections.table import CONTRIBUTORS, WORDS, ConnectionTable, highest

N_WORST: Final = 10
NOTEWORTHY_DB: Final = 0.005
"""A contributor that is no more than this above its mean is no reason. [dB]"""
ORDERS: Final = {
    "as_stated": "in the stages of the scenario",
    "together": "all mirrors at once",
    "mirrors_a_first": "all mirrors of array A, then all of array B",
    "by_mirror": "mirrors A and B in turns",
}
AXES: Final = ("Ax", "Ay", "Bx", "By")


class BudgetVerdict(NamedTuple):
    """What decides, in a sentence."""

    text: str
    good: bool


def spare_travel(table: ConnectionTable, travel_mrad: tuple[float, float]) -> Array:
    """Return the share (C,) of travel left on the axis that has least; negative beyond it. [-]"""
    limit_rad = 1e-3 * np.array([*travel_mrad, *travel_mrad])
    used = (np.abs(tilt) / limit for tilt, limit in zip(table.tilt_rad.T, limit_rad, strict=True))
    return 1.0 - highest(used)


def summary_of(table: ConnectionTable, budget: BudgetParams | None, spare: Array) -> dict[str, Any]:
    """Return the figures over all connections, those beyond the travel included.

    Percentiles use numpy's default interpolation. Counts over a limit are None without a budget.
    """
    loss = table.insertion_db
    end = None if budget is None else float(budget.end_of_life_db)
    accept = None if budget is None else float(budget.acceptance_db)
    return {
        "count": len(loss),
        "mean_db": float(loss.mean()),
        "median_db": float(np.median(loss)),
        "p99_db": float(np.percentile(loss, 99)),
        "max_db": float(loss.max()),
        "over_acceptance": None if accept is None else int(np.sum(loss > accept)),
        "over_end_of_life": None if end is None else int(np.sum(loss > end)),
        "out_of_travel": int(np.sum(spare < 0.0)),
        "acceptance_db": accept,
        "end_of_life_db": end,
        "least_spare_travel": float(spare.min()),
    }


def contributors_of(table: ConnectionTable) -> dict[str, float]:
    """Return the mean of each contributor. [dB]"""
    means = table.losses_db.mean(axis=1)
    return {name: float(value) for name, value in zip(CONTRIBUTORS, means, strict=True)}


def band_of(table: ConnectionTable, budget: BudgetParams | None) -> dict[str, Any] | None:
    """Return the figures over the band, or None without one."""
    if len(table.wavelengths_nm) == 1:
        return None
    columns = table.band_db[:, 1:].T
    worst = highest(columns)
    spread = worst - reduce(np.minimum, columns)
    return {
        "wavelengths_nm": list(table.wavelengths_nm[1:]),
        "mean_db": [float(v) for v in table.band_db[:, 1:].mean(axis=0)],
        "max_db": [float(v) for v in table.band_db[:, 1:].max(axis=0)],
        "worst_db": float(worst.max()),
        "largest_change_db": float(spread.max()),
        "over_acceptance": None
        if budget is None
        else int(np.sum(worst > float(budget.acceptance_db))),
    }


def worst_of(table: ConnectionTable, spare: Array, count: int = N_WORST) -> list[dict[str, Any]]:
    """Return the connections that lose most, each with what sets it apart from the mean."""
    loss = table.insertion_db
    mean_db, all_db = table.losses_db.mean(axis=1), loss.mean()
    worst = []
    for c in _largest(loss, count):
        over = table.losses_db[:, c] - mean_db
        reasons = [
            f"{WORDS[CONTRIBUTORS[k]]} {over[k]:+.3f} dB"
            for k in np.argsort(-over, kind="stable")[:2] if over[k] > NOTEWORTHY_DB
        ]  # fmt: skip
        worst.append(
            {
                "input": int(table.inputs[c]),
                "output": int(table.outputs[c]),
                "insertion_db": float(loss[c]),
                "over_mean_db": float(loss[c] - all_db),
                "reasons": reasons,
                "spare_travel": float(spare[c]),
            }
        )
    return worst


def _largest(values: Array, count: int) -> NDArray[np.int64]:
    """Return where the largest of all stand, the largest first, of equals the first."""
    least = np.partition(values, -count)[-count] if count < len(values) else values.min()
    among = np.flatnonzero(values >= least)
    return among[np.argsort(-values[among], kind="stable")][:count]


def aiming_of(switch: SwitchParams, table: ConnectionTable, n_connections: int) -> dict[str, Any]:
    """Return how the connections are aimed, what it costs in dB and in hours of the switch."""
    pointing = table.losses_db[CONTRIBUTORS.index("pointing")]
    found: dict[str, Any] = {
        "level": "exact" if switch.aiming is None else switch.aiming.level,
        "pointing_mean_db": float(pointing.mean()),
        "pointing_max_db": float(pointing.max()),
        "error_rms_urad": float(1e6 * np.sqrt(np.mean(table.error_rad**2))),
        "probes": table.probes,
        "hours": 0.0,
        "hours_are_for": "nothing is measured",
    }
    aiming = switch.aiming
    if aiming is None or aiming.level == "dead_reckoning":
        return found
    probes = PROBES_PER_ROUND * aiming.rounds
    ports = max(switch.geometry.ports_per_side, switch.geometry.outputs)
    known = min(ports * aiming.table_per_port, n_connections)
    hours = known * probes * 1e-3 * aiming.probe_ms / 3600.0
    text = f"peaking {counted(known, 'connection')} for the table, {counted(probes, 'probe')} each"
    if aiming.level == "peaked":
        hours += n_connections * probes * 1e-3 * aiming.probe_ms / 3600.0
        text += f", then all {n_connections}"
        found["noise_alone_db"] = peaking_loss_db(aiming)
    return found | {"hours": hours, "hours_are_for": text}


def order_of(move: dict[str, Any]) -> str | None:
    """Return the order of a move to be made: the first that keeps the limit, else the best."""
    kept = [name for name, row in move.items() if row["met"]]
    if kept or not move:
        return kept[0] if kept else None
    return max(move, key=lambda name: float(move[name]["worst_pair_db"]))


def axis_words(row: dict[str, Any]) -> str:
    """Say how many mirrors turn one axis at a time, of a row of the orders tried."""
    few = len(row.get("one_axis_at_a_time", ()))
    return f", {counted(few, 'mirror')} of them one axis at a time" if few else ""


def limits_words(bulk: dict[str, Any]) -> str:
    """Say which of the scenario's own limits a run of the move missed; empty for none."""
    words = []
    for row in bulk["limits"]:
        if not row["met"]:
            figure = LIMITED[row["name"]]
            words.append(
                f"{row['name']} missed: "
                f"{number_beside(row['value'], row['limit'], figure.unit)}, "
                f"the limit is {number(row['limit'], figure.unit)}"
            )
    return "; ".join(words)


class LimitWords(NamedTuple):
    """What is to be said of one limit, or of several that belong together."""

    text: str
    good: bool = True
    used: float = 0.0
    """Share of the limit that is used, 1 at the limit."""


def crosstalk_words(
    crosstalk: dict[str, Any], limit_db: float, loop: dict[str, Any] | None = None
) -> LimitWords:
    """Return what crosstalk comes to against its limit, and whether that is good.

    A move is good if one of the orders tried keeps the limit: on straight ways, and through the
    loop, if it was run in that order (`loop`, from `bulk_move`); such a run has to keep the
    scenario's own limits, too.
    """
    still, move = crosstalk["standing"], crosstalk["move"]
    if still is not None and still["worst_pair_db"] < limit_db:
        return LimitWords(
            f"light of input {still['worst_beam_input']} stands in output "
            f"{still['worst_output']}, {still['worst_pair_db']:.1f} dB down; the limit is "
            f"{limit_db:g} dB", False,
        )  # fmt: skip
    order = order_of(move or {})
    if order is None:
        return LimitWords("") if still is None else _standing_words(still, limit_db)
    row = move[order]
    if not row["met"]:
        tried = "the order stated" if order == "as_stated" else "the best order of the move tried"
        return LimitWords(
            f"{tried}, {ORDERS[order]}, puts light of input {row['beam_input']} into output "
            f"{row['output']}, {row['worst_pair_db']:.1f} dB down; the limit is {limit_db:g} dB",
            False,
        )
    moving = f"moving {ORDERS[order]}{axis_words(row)}"
    if loop is not None and loop["crosstalk_worst_pair_db"] < limit_db:
        return LimitWords(
            f"{moving}, the loops put light of input {loop['crosstalk_beam_input']} "
            f"into output {loop['crosstalk_output']}, {loop['crosstalk_worst_pair_db']:.1f} dB "
            f"down; the limit is {limit_db:g} dB", False,
        )  # fmt: skip
    if loop is not None and limits_words(loop):
        return LimitWords(
            f"{moving}, the run misses the scenario's own limits: {limits_words(loop)}", False
        )
    if still is not None and still["worst_pair_db"] < row["worst_pair_db"]:
        return _standing_words(still, limit_db)
    through = (
        ""
        if loop is None
        else f"; {loop['crosstalk_worst_pair_db']:.1f} dB through the loop, last light after "
        f"{loop['max_ms']:.1f} ms"
    )
    return LimitWords(
        _down(row["worst_pair_db"], limit_db)
        + f" (input {row['beam_input']} in output {row['output']}, {moving}{through})",
        used=limit_db / row["worst_pair_db"],
    )


def _standing_words(still: dict[str, Any], limit_db: float) -> LimitWords:
    where = f"input {still['worst_beam_input']} in output {still['worst_output']}, standing"
    text = f"{_down(still['worst_pair_db'], limit_db)} ({where})"
    return LimitWords(text, used=limit_db / still["worst_pair_db"])


def _down(loss_db: float, limit_db: float) -> str:
    return (
        f"light in wrong outputs {loss_db:.1f} dB down, {loss_db - limit_db:.1f} dB inside the "
        f"limit of {limit_db:g} dB"
    )


def settling_of(bulk: dict[str, Any]) -> dict[str, Any] | None:
    """Return the row of the scenario's limit of settling in a run of the move; None without."""
    return next((row for row in bulk["limits"] if row["name"] == "settling_max_ms"), None)


def _settling_words(loop: dict[str, Any]) -> list[LimitWords]:
    row = settling_of(loop)
    if row is None or row["value"] is None:
        return []
    value = number_beside(row["value"], row["limit"], "ms")
    return [
        LimitWords(
            f"slowest settling {value} after the command, the limit is {row['limit']:g} ms",
            used=row["value"] / row["limit"],
        )
    ]


def verdict_of(
    summary: dict[str, Any], band: dict[str, Any] | None, culprit: str,
    crosstalk: LimitWords | None = None, late: dict[str, Any] | None = None,
    loop: dict[str, Any] | None = None,
) -> BudgetVerdict:  # fmt: skip
    """Return the verdict and its culprit; of limits met, the nearest is named first.

    `crosstalk` is from `crosstalk_words`, `late` from `many_lives`, `loop` from `bulk_move` in the
    order that is judged. The end of life counts against a switch if connections exceed its limit on
    the mean of the lives.
    """
    count, largest = summary["count"], summary["max_db"]
    lost = _missed(summary, band, culprit, late)
    if crosstalk is not None and not crosstalk.good:
        lost.append(crosstalk.text)
    if lost:
        return BudgetVerdict(f"Missed: {'; '.join(lost)}.", False)
    if summary["acceptance_db"] is None:
        return BudgetVerdict(
            f"No limit was stated: {_all_of(count)} can be reached; the worst loses "
            f"{largest:.2f} dB ({culprit}).", True,
        )  # fmt: skip
    limit_db = summary["acceptance_db"]
    met = [
        LimitWords(
            f"{_all_of(count)} {'loses' if count == 1 else 'lose'} at most {largest:.2f} dB when "
            f"new, {limit_db - largest:.2f} dB inside the limit of {limit_db:g} dB ({culprit})",
            used=largest / limit_db,
        )
    ]
    if late is not None:
        met.append(_late_words(late))
    if crosstalk is not None and crosstalk.text:
        met.append(crosstalk)
        met += [] if loop is None else _settling_words(loop)
    met.sort(key=lambda each: -each.used)
    return BudgetVerdict(f"Met: {'; '.join(each.text for each in met)}.", True)


def _missed(
    summary: dict[str, Any], band: dict[str, Any] | None, culprit: str,
    late: dict[str, Any] | None,
) -> list[str]:  # fmt: skip
    count, largest = summary["count"], summary["max_db"]
    lost = []
    if summary["out_of_travel"]:
        lost.append(f"{summary['out_of_travel']} of {counted(count, 'connection')} "
                    f"{'needs' if summary['out_of_travel'] == 1 else 'need'} more travel than "
                    "the mirrors have")  # fmt: skip
    if summary["over_acceptance"]:
        lost.append(
            f"{summary['over_acceptance']} of {count} "
            f"{_exceed(summary['over_acceptance'])} the acceptance limit of "
            f"{summary['acceptance_db']:g} dB, the worst with {largest:.2f} dB ({culprit})"
        )
    if band is not None and band["over_acceptance"] and not summary["over_acceptance"]:
        lost.append(
            f"{band['over_acceptance']} of {count} "
            f"{_exceed(band['over_acceptance'])} it somewhere in the band"
        )
    if late is not None and late["connections_over_on_the_mean"]:
        w = late["worst"][0]
        lost.append(
            f"{late['connections_over_on_the_mean']} of {late['looked_at']} "
            f"{'' if late['sample'] is None else 'in a sample '}"
            f"{_exceed(late['connections_over_on_the_mean'])} the end-of-life limit of "
            f"{late['limit_db']:g} dB on the mean of {counted(late['lives'], 'life', 'lives')}, "
            "the worst, in "
            f"{w['input']} -> out {w['output']}, with {w['mean_db']:.2f} dB"
        )
    return lost


def _exceed(count: int) -> str:
    return "exceeds" if count == 1 else "exceed"


def _all_of(count: int) -> str:
    return "the only connection" if count == 1 else f"all {count} connections"


def _late_words(late: dict[str, Any]) -> LimitWords:
    share, w = late["share_of_lives_met"], late["worst"][0]
    of = "all connections" if late["sample"] is None else f"the {looked_at_words(late)}"
    text = (
        f"at the end of life the worst on the mean of {counted(late['lives'], 'life', 'lives')} "
        f"loses {w['mean_db']:.2f} dB, {late['limit_db'] - w['mean_db']:.2f} dB inside the limit "
        f"of {late['limit_db']:g} dB (in {w['input']} -> out {w['output']}), which "
        f"{100 * share['value']:.0f} % of the lives keep with {of}"
    )
    return LimitWords(text, used=w["mean_db"] / late["limit_db"])


def looked_at_words(late: dict[str, Any]) -> str:
    """Say which connections of a large switch were looked at; `late` is from `many_lives`."""
    each = late["sample"]["highest_in_each_life"]
    return (
        f"{counted(late['looked_at'], 'connection')} of an even sample and the {each} highest "
        "in each life"
    )
