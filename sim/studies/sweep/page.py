"""The page of a sweep: figures, what matters, pictures, and how to repeat the worst runs."""

import json
from collections.abc import Iterator, Mapping
from typing import Any, Final, NamedTuple

import numpy as np
from scipy import stats

from sim.foundations.files.text import counted
from sim.report.base import base_of, template
from sim.report.drawing import Picture
from sim.results.table import FIGURE_OF, LIMITED
from sim.results.units import number, unit_sign
from sim.scenario.model import Scenario
from sim.scenario.portable import portable_toml
from sim.studies.run.provenance import NOTHING_ASKED, Request, now, provenance
from sim.studies.sweep.analysis import (
    Effect,
    Floats,
    effects,
    overall_interval,
    responses,
    seed_share,
)
from sim.studies.sweep.one_run import NOT_SHOWN, RunOutcome
from sim.studies.sweep.plan import SweepPlan
from sim.studies.sweep.plots import metric_picture
from sim.studies.sweep.vary import toml

HEADLINES: Final = (
    "settling.max_ms",
    "pointing.rms_urad",
    "pointing.max_urad",
    "coupling.mean_db",
    "coupling.excess_max_db",
)
"""Metrics that come first; any with a limit come before these."""
ASSUMPTIONS: Final = (
    "A sweep says how the model answers. It is as good as the scenario's values and the model's "
    "assumptions, which the page of each single run lists.",
)
N_WORST = 3
N_FAILED = 10


class MetricView(NamedTuple):
    """One metric on the page."""

    words: str
    unit: str
    mean: Any
    """An `analysis.Interval`."""
    smallest: float | None
    median: float | None
    largest: float | None
    missing: int
    effects: list[Effect]
    seeds: float
    """Share of the variance that is the seed's; NaN if unknown."""
    picture: Picture | None


class WorstRun(NamedTuple):
    """A run worth repeating."""

    words: str
    value: str
    run: int
    command: str


def page_of(
    plan: SweepPlan, outcomes: Mapping[int, RunOutcome], asked: Request = NOTHING_ASKED
) -> str:
    """Return the report of a finished sweep as one HTML page that loads nothing.

    Parameters
    ----------
    plan : SweepPlan
        The sweep.
    outcomes : mapping of int to Outcome
        All of its runs.
    asked : Request
        What led to it; its overrides are those of the plan.

    Raises
    ------
    ValueError
        If runs are missing.
    """
    if len(outcomes) != plan.n_runs:
        raise ValueError(f"outcomes must be one a run, {plan.n_runs}, got {len(outcomes)}")
    scenario = json.loads(plan.scenarios[0])
    first_point = Scenario.model_validate(scenario)
    origin = provenance(first_point, now(), asked._replace(overrides=plan.overrides))
    limited = [LIMITED[name].path for name in scenario["limits"]]
    order = list(dict.fromkeys((*limited, *HEADLINES)))
    first: list[MetricView] = []
    others: list[MetricView] = []
    constant: list[str] = []
    for name in dict.fromkeys((*order, *FIGURE_OF)):
        y = _column(plan, outcomes, name)
        seen = y[np.isfinite(y)]
        words, unit = FIGURE_OF[name].heading, FIGURE_OF[name].unit
        if seen.size == 0 or (seen.size == y.size and np.ptp(seen) <= 1e-9 * np.abs(seen).max()):
            value = number(float(seen[0]), unit, 4) if seen.size else "no figure"
            constant.append(f"{words}: {value}")
            continue
        (first if name in order else others).append(_metric(plan, y, words, unit_sign(unit)))
    failed = [run for run, outcome in sorted(outcomes.items()) if outcome.error is not None]
    base = base_of(
        title=f"Sweep of {', '.join(v.path for v in plan.varied) or 'seeds'}: {scenario['title']}",
        question=scenario["question"].strip(),
        provenance=origin,
        notes=ASSUMPTIONS,
        conditions=[("Varied", "; ".join(": ".join(_described(plan, i))
                                         for i in range(len(plan.varied))) or "seeds alone")],
        input_text=portable_toml(first_point),
        input_name="scenario of the first point, as resolved",
    )  # fmt: skip
    filters: dict[str, Any] = {
        "number": _figure,
        "share": lambda v: "-" if np.isnan(v) else f"{100 * v:.0f} %",
        "signed": lambda v: "-" if np.isnan(v) else f"{v:+.2f}",
    }
    page = template("template.html", "sim.studies.sweep", filters)
    return page.render(
        base=base,
        plan=plan,
        varied=[_described(plan, i) for i in range(len(plan.varied))],
        verdict=_verdict(plan, outcomes, bool(limited)),
        missed=_missed(outcomes),
        first=first,
        others=others,
        constant=constant,
        worst=list(_worst(plan, outcomes, order)),
        failed=[(run, outcomes[run].error, plan.command(run)) for run in failed[:N_FAILED]],
        n_failed=len(failed),
        rests_on=_rests_on(plan),
    )


def _column(plan: SweepPlan, outcomes: Mapping[int, RunOutcome], name: str) -> Floats:
    found = [outcomes[run].figures.get(name) for run in range(plan.n_runs)]
    return responses(plan, [np.nan if v is None else float(v) for v in found])


def _metric(plan: SweepPlan, y: Floats, words: str, unit: str) -> MetricView:
    seen = y[np.isfinite(y)]
    return MetricView(
        words=words,
        unit=unit,
        mean=overall_interval(y),
        smallest=float(seen.min()),
        median=float(np.median(seen)),
        largest=float(seen.max()),
        missing=int(y.size - seen.size),
        effects=effects(plan, y),
        seeds=seed_share(y),
        picture=metric_picture(plan, y, words, unit) if plan.varied else None,
    )


def _worst(
    plan: SweepPlan, outcomes: Mapping[int, RunOutcome], names: list[str]
) -> Iterator[WorstRun]:
    """Yield the runs with the largest figures; one that never came counts as the largest."""
    for name in names:
        y = _column(plan, outcomes, name).ravel()
        done = [run for run in range(plan.n_runs) if outcomes[run].error is None]
        if not np.isfinite(y).any() or len(set(y[done].tolist())) < 2:
            continue
        words, unit = FIGURE_OF[name].heading, FIGURE_OF[name].unit
        done.sort(key=lambda run: (np.inf if np.isnan(y[run]) else y[run], -run), reverse=True)
        for run in done[:N_WORST]:
            value = "never" if np.isnan(y[run]) else number(float(y[run]), unit)
            yield WorstRun(words, value, run, plan.command(run))


def _verdict(plan: SweepPlan, outcomes: Mapping[int, RunOutcome], asked: bool) -> str:
    done = [outcome for outcome in outcomes.values() if outcome.error is None]
    if not asked:
        return "No limit was asked for."
    missed = sum(bool(outcome.limits_missed) for outcome in done)
    text = f"{missed} of {counted(len(done), 'run')} missed a limit."
    drawn = len(plan.points) == 1 or (plan.combinations == 1 and len(plan.seeds) == 1)
    if drawn and done:
        low, high = stats.binomtest(missed, len(done)).proportion_ci(method="exact")
        text += (
            f" As a share: {100 * missed / len(done):.1f} %, 95 % interval {100 * low:.1f} to "
            f"{100 * high:.1f} % (Clopper and Pearson, Biometrika 26 (1934) 404)."
        )
    return text


def _missed(outcomes: Mapping[int, RunOutcome]) -> list[tuple[str, int]]:
    names = [name for outcome in outcomes.values() for name in outcome.limits_missed]
    found = [(figure.heading, names.count(n)) for n, figure in LIMITED.items() if n in names]
    idle = names.count(NOT_SHOWN)
    return [*found, ("All met, but not put to the test", idle)] if idle else found


def _described(plan: SweepPlan, quantity: int) -> tuple[str, str]:
    varied = plan.varied[quantity]
    if varied.distribution is None:
        values = [v if isinstance(v, str) else toml(v) for v in varied.values]
        return varied.path, ", ".join(values)
    law = varied.distribution
    return varied.path, f"{law.kind}({law.a:g}, {law.b:g})"


def _rests_on(plan: SweepPlan) -> str:
    if plan.samples > 1:
        both = f" and {len(plan.seeds)} seeds" if len(plan.seeds) > 1 else ""
        return (
            f"{counted(plan.samples, 'sample')}{both}, taken as independent draws (for a "
            "stratified design "
            "this makes intervals too wide, not too narrow)."
        )
    if len(plan.seeds) > 1:
        return (
            f"{len(plan.seeds)} seeds. They say how far the noise and spread of the scenario carry "
            "the means; the points of the grid are fixed."
        )
    return "nothing: one seed and a fixed grid leave nothing random, so there are no intervals."


def _figure(value: Any, unit: str = "") -> str:
    missing = value is None or (isinstance(value, float) and np.isnan(value))
    return "-" if missing else number(value, unit, 4)
