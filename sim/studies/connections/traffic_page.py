"""The part of a page about light in wrong outputs, and about moves."""

from collections.abc import Callable, Sequence
from typing import Any

from sim.foundations.files.text import counted
from sim.report.study_page import Section, Table
from sim.results.units import number
from sim.studies.connections.study import ConnectionStudy
from sim.studies.connections.summary import ORDERS, axis_words, limits_words, order_of, settling_of
from sim.studies.connections.traffic_plots import orders_picture

NAMES_SHOWN = 6
"""Mirrors of a stage that are named; of more, the number is said."""


def traffic_section(found: ConnectionStudy) -> Section | None:
    """Return the section; None for a switch with a single connection."""
    standing, move = found.crosstalk["standing"], found.crosstalk["move"]
    if standing is None:
        return None
    budget = found.scenario.switch.budget
    limit_db = None if budget is None else budget.crosstalk_db
    runs = _runs(found)
    tables = [_light(standing, move or {}, limit_db)]
    if move:
        order = order_of(move)
        if order is not None and "stages" in move[order]:
            tables.append(_stages(order, move[order], found.scenario.limits.settling_max_ms))
    if runs:
        tables.append(_through_loop(runs))
    if found.assignment is not None:
        tables.append(_travel(found.assignment))
    pictures = [orders_picture(
        move, runs, limit_db, found.scenario.limits.settling_max_ms
    )] if move else []
    return Section(
        "Light in wrong outputs, and moves", _texts(found, standing, move or {}), tables, pictures
    )


def _runs(found: ConnectionStudy) -> list[tuple[str, dict[str, Any]]]:
    if found.bulk is None:
        return []
    stated = bool(found.scenario.switch.moves[0].stages)
    runs = [(ORDERS["as_stated" if stated else "together"], found.bulk)]
    runs += [(ORDERS[name], one) for name, one in found.bulk_by_order.items()]
    if found.bulk_chosen is not None:
        runs.append(("all at once, outputs chosen for the least longest travel", found.bulk_chosen))
    return runs


def _texts(found: ConnectionStudy, standing: dict[str, Any], move: dict[str, Any]) -> list[str]:
    texts = [
        f"Standing connections: {standing['connections']}; outputs looked at: "
        f"{standing['outputs_looked_at']}, with the beams that land nearest to their mirrors. "
        "What gets there is light bent at the edges of both mirrors. Scattered light, if spread "
        f"evenly, would be {standing['scattered_estimate_db']:.0f} dB down for mirrors of "
        f"{standing['scattered_for_roughness_nm']:g} nm roughness: an order of magnitude.",
    ]
    if move:
        texts.append(
            "Moves are looked at in "
            f"{counted(sum(row['instants'] for row in move.values()), 'instant')}: no "
            "beam goes on by more than a quarter of its radius from one to the next, and no mode "
            "turns by more than a quarter of its divergence. Where a beam crosses a wrong mirror "
            "that looks at it, the brightest moment is searched between them. Mirrors go straight "
            "from tilt to tilt here, and one stage ends before the next begins; what the loops "
            "make of it is in the table of the move through the loop, if it was run (--move)."
        )
    if "by_mirror" in move:
        row = move["by_mirror"]
        best, far = row["best_straight_db"], row["searched_to_db"]
        bound = (
            f"Of all such orders with straight ways the best keeps {best:.1f} dB"
            if best < far
            else f"With straight ways alone some order keeps {far:.1f} dB or more"
        )
        if row["outputs"] > row["outputs_looked_at"]:
            bound += f" in the {row['outputs_looked_at']} of {row['outputs']} outputs looked at"
        turning = row["one_axis_at_a_time"]
        texts.append(
            "What a beam puts into a wrong output depends on two mirrors alone, its own mirror A "
            "and that output's mirror B; of an order it matters only which of the two turns "
            "first. So every order in which mirrors turn one after another, or many of one "
            "array at a time, is covered: demands of all pairs are put into one order, with the "
            f"fewest stages, or they form a circle and there is none. {bound}."
            + (
                f" {_listed(turning)} {'turns' if len(turning) == 1 else 'turn'} one axis at a "
                "time, chosen mirror by mirror: there may be a better choice. "
                if turning else " "
            )
            + ("But for second axes of such mirrors, mirrors" if turning else "Mirrors")
            + " of both arrays never turn together."
        )  # fmt: skip
    if found.staged is not None:
        texts.append(
            "The file staged.toml beside this page is the scenario with the stages of the order "
            "that was chosen, for the command run. "
            + (
                "It was not run here; --move runs it." if found.bulk is None
                else "Time to light of each connection in each order is in time_to_light.csv."
            )
        )  # fmt: skip
    return texts


def _light(standing: dict[str, Any], move: dict[str, Any], limit_db: float | None) -> Table:
    def met(loss_db: float) -> str:
        if limit_db is None:
            return "no limit"
        return "met" if loss_db >= limit_db else "missed"

    rows = [
        ["standing", f"{standing['worst_pair_db']:.1f}", f"{standing['worst_output_sum_db']:.1f}",
         pair_words(standing["worst_beam_input"], standing["worst_output"]),
         met(standing["worst_pair_db"])],
    ]  # fmt: skip
    for name, row in move.items():
        times = row["moves_in_a_row"]
        rows.append(
            [f"moving, {ORDERS[name]}{axis_words(row)}; {counted(times, 'stage')}",
             f"{row['worst_pair_db']:.1f}", f"{row['worst_output_sum_db']:.1f}",
             pair_words(row["beam_input"], row["output"]), met(row["worst_pair_db"])]
        )  # fmt: skip
    return Table(
        "Light of one connection in the output of another, under what it sends; high is good",
        ["When", "Strongest beam [dB]", "All beams in one output [dB]", "Where",
         "Limit" if limit_db is None else f"Limit, {limit_db:g} dB"],
        rows,
    )  # fmt: skip


def _stages(order: str, row: dict[str, Any], settling_max_ms: float | None) -> Table:
    axes = {"both": "both axes", "x": "axis x", "y": "axis y"}
    rows: list[list[str]] = []
    numbers: dict[float, int] = {}
    for stage in row["stages"]:
        place = numbers.setdefault(stage["after_ms"], len(numbers) + 1)
        rows.append(
            [str(place), f"{stage['after_ms']:g}", _mirrors(stage["mirrors"]),
             axes[stage["axes"]]]
        )  # fmt: skip
    limit = "" if settling_max_ms is None else f"; all are to be settled {settling_max_ms:g} ms"
    after = " after the command" if settling_max_ms is not None else ""
    return Table(
        f"Stages of the order chosen: {ORDERS[order]}{limit}{after}",
        ["Stage", "Begins after the command [ms]", "Mirrors", "Turn"], rows,
    )  # fmt: skip


def _mirrors(names: str | Sequence[str]) -> str:
    if isinstance(names, str):
        return f"all of array {names}"
    if len(names) <= NAMES_SHOWN:
        return _listed(names)
    arrays = sorted({name[0] for name in names})
    return f"{len(names)} of array {' and '.join(arrays)}"


def _listed(names: Sequence[str]) -> str:
    few = list(names[:NAMES_SHOWN])
    if len(names) > NAMES_SHOWN:
        return f"{', '.join(few)} and {len(names) - NAMES_SHOWN} more"
    return few[0] if len(few) == 1 else f"{', '.join(few[:-1])} and {few[-1]}"


def _travel(assignment: dict[str, Any]) -> Table:
    words = {"asked": "as asked", "least_sum": "outputs chosen for the least sum",
             "least_max": "outputs chosen for the least longest"}  # fmt: skip
    return Table(
        "Travel of the first move, both mirrors of a connection together",
        ["Outputs", "Mean [mrad]", "Longest [mrad]"],
        [[words[k], f"{v['mean_mrad']:.1f}", f"{v['max_mrad']:.1f}"]
         for k, v in assignment.items()],
    )  # fmt: skip


def _through_loop(runs: list[tuple[str, dict[str, Any]]]) -> Table:
    def of(write: Callable[[dict[str, Any]], str]) -> list[str]:
        return [write(bulk) for _, bulk in runs]

    limit_db = runs[0][1]["limit_db"]
    rows = [
        ["connections that change", *of(lambda b: str(b["connections"]))],
        ["stages", *of(lambda b: str(b["stages"]))],
        [f"time to light (under {limit_db:g} dB over aligned), median",
         *of(lambda b: number(b["median_ms"], "ms"))],
        ["time to light, slowest", *of(lambda b: number(b["max_ms"], "ms"))],
        ["slowest input", *of(lambda b: str(b["slowest_input"]))],
        ["without light", *of(lambda b: str(b["dark"]))],
        ["strongest light in a wrong output on the way",
         *of(lambda b: f"{b['crosstalk_worst_pair_db']:.1f} dB")],
        ["where", *of(lambda b: pair_words(b["crosstalk_beam_input"], b["crosstalk_output"]))],
        ["when, after the command", *of(lambda b: number(b["crosstalk_at_ms"], "ms"))],
    ]  # fmt: skip
    limit = settling_of(runs[0][1])
    if limit is not None:
        rows.append([
            f"settling, slowest mirror, after the command; limit {limit['limit']:g} ms",
            *of(_settled),
        ])  # fmt: skip
    if any(bulk["limits"] for _, bulk in runs):
        rows.append(["the scenario's own limits", *of(lambda b: limits_words(b) or "met")])
    return Table("The first move through the loop", ["Figure", *(words for words, _ in runs)], rows)


def _settled(bulk: dict[str, Any]) -> str:
    row = settling_of(bulk)
    return "no figure" if row is None or row["value"] is None else number(row["value"], "ms")


def pair_words(beam: int | None, output: int | None) -> str:
    """Say which beam is in which output."""
    return "nowhere" if beam is None else f"input {beam} in output {output}"
