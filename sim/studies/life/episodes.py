"""Episodes of a life, each simulated by the full loop at the age at which it comes."""

from collections.abc import Callable, Sequence
from typing import Any, Final, TypeVar

from sim.foundations.errors import SimError
from sim.results.hold import hold_of
from sim.results.moves import ticks_of
from sim.studies.life.march import March
from sim.studies.life.schedule import HOUR_S, YEAR_S
from sim.studies.life.start import start_of
from sim.studies.life.study import Life
from sim.studies.run.make import Run, make_run

Lasting = TypeVar("Lasting", bound=tuple[Any, ...])
MOST: Final = 12
"""Episodes that are simulated; of more, the first of each kind, then the first of all."""


def play_episodes(
    life: Life, progress: Callable[[int, int], None] | None = None
) -> list[dict[str, Any]]:
    """Return what each episode did: age, largest misalignment loss, outage, time out of budget.

    `out_h` are the connection-hours of the hold interval in which the insertion loss exceeds the
    end-of-life limit, counted in whole intervals of the traces by the largest loss in each.

    Parameters
    ----------
    life : Life
        One life.
    progress : callable, optional
        Called with (episodes done, all that are simulated).
    """
    march = March(life.plant, life.plant.life.step_h * HOUR_S)
    found = chosen_episodes(life.lived.at_episodes)
    rows = []
    for number, (event, state) in enumerate(found):
        episode = life.plant.life.episodes[event.number]
        start = start_of(life.plant, march, state)
        scenario = start.scenario.replace(
            duration_ms=episode.duration_ms,
            disturbances=[*start.scenario.disturbances, episode.disturbance],
        )
        try:
            made = make_run(scenario, condition=start.condition, pictures=False)
        except SimError as exc:
            raise type(exc)(f"life.episodes.{event.number}: {exc}") from exc
        coupling = made.figures["coupling"]
        rows.append({
            "name": episode.name,
            "year": state.time_s / YEAR_S,
            "excess_max_db": coupling["excess_max_db"],
            "outage_ms": coupling["outage_ms"],
            "max_urad": made.figures["pointing"]["max_urad"],
            "out_h": _out_h(made, life.plant.budget.end_of_life_db),
        })  # fmt: skip
        if progress is not None:
            progress(number + 1, len(found))
    return rows


def chosen_episodes(at_episodes: Sequence[Lasting]) -> list[Lasting]:
    """Return at most `MOST` episodes in the order of time, the first of each kind among them.

    Parameters
    ----------
    at_episodes : sequence of (LifeEvent, ...)
        In the order of time; the number of the event names its kind.
    """
    kinds = [one[0].number for one in at_episodes]
    ranked = sorted(range(len(kinds)), key=lambda i: (kinds.index(kinds[i]) != i, i))
    return [at_episodes[i] for i in sorted(ranked[:MOST])]


def _out_h(made: Run, limit_db: float) -> float:
    """Return the connection-hours over a limit in the hold interval. [h]"""
    traces = made.outcome.traces
    held = hold_of(made.built.resolved.metrics, float(traces.time_s[-1] * 1e3))
    hold = held.whole(ticks_of(traces.time_s, traces.tick_s), traces.interval_ticks, traces.tick_s)
    aligned = made.built.parts.epochs[0].aligned_db  # an episode moves nothing
    over = aligned + traces.excess_peak_db[hold] > limit_db
    return float(over.sum() * traces.interval_ticks * traces.tick_s) / HOUR_S


def with_episodes(
    availability: dict[str, Any], played: list[dict[str, Any]], lived: dict[str, int]
) -> dict[str, Any]:
    """Return an availability in which episodes count too.

    Parameters
    ----------
    availability : dict
        `share`, `connection_hours`, `out_by_cause_h`.
    played : list of dict
        From `play_episodes`.
    lived : dict of str to int
        Episodes by name; those that were not simulated count as the mean of those of their name
        that were, and not at all if there is none.
    """
    out = dict(availability["out_by_cause_h"])
    for name, count in lived.items():
        own = [row["out_h"] for row in played if row["name"] == name]
        if own:
            out["episode"] += count * sum(own) / len(own)
    share = 1.0 - sum(out.values()) / availability["connection_hours"]
    return availability | {"share": share, "out_by_cause_h": out}
