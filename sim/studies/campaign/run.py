"""A campaign from its file to its folder: runs that are kept, matrix, page, PDF."""

import json
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, Final

from sim.foundations.files.filing import MARKER, PAGE_FAULT, mark, put, put_page
from sim.report.study_page import render_study
from sim.results.table import LIMITED
from sim.scenario.file import named_files
from sim.studies.campaign.found import Campaign
from sim.studies.campaign.one_case import one_case
from sim.studies.campaign.page import hashes_of, page_of, profiles_of
from sim.studies.campaign.plan import CampaignPlan, load_campaign
from sim.studies.run.provenance import NOTHING_ASKED, Request, now, provenance
from sim.studies.sweep.identity import digest, own_code, versions
from sim.studies.sweep.one_run import RunOutcome
from sim.studies.sweep.run import all_done, check_workers, stopping
from sim.studies.sweep.store import FILE, LOCK, Store

KIND: Final = "campaign"
OURS: Final = (
    FILE, LOCK, MARKER, "campaign.json", "campaign.toml", "report.html", "report.pdf", PAGE_FAULT,
)  # fmt: skip


def campaign(
    path: str | Path,
    folder: str | Path,
    *,
    workers: int | None = None,
    cluster: str | None = None,
    overwrite: bool = False,
    repair: bool = False,
    retry: bool = False,
    pdf: bool = False,
    progress: Callable[[int, int, int], None] | None = None,
    warn: Callable[[str], None] | None = None,
    asked: Request = NOTHING_ASKED,
) -> Campaign:
    """Run every case of a campaign, and write campaign.json and report.html.

    Runs that are done are kept in the folder: the same call goes on where the last one ended.
    Processes are started, so a script must keep its calls behind ``if __name__ == "__main__":``.

    Parameters
    ----------
    path : str or Path
        The campaign's file.
    folder : str or Path
        For the runs, the matrix and the page.
    workers, cluster, overwrite, repair, retry, progress, warn
        As for `mirrorloop.sweep`.
    pdf : bool
        Whether to write report.pdf too (extra `pdf`).
    asked : Request
        What led to it, to be filed.

    Returns
    -------
    Campaign

    Raises
    ------
    SimError
        If it cannot be done as asked; Stopped if it was interrupted.
    """
    check_workers(cluster, workers)
    if pdf:
        from sim.report.pdf import require_pdf

        require_pdf()
    started = now()
    plan = load_campaign(path)
    place = Path(folder)
    with Store(
        place, identity_of(plan), overwrite=overwrite, repair=repair, kind=KIND, ours=OURS
    ) as store:
        with stopping(store, plan):
            outcomes = all_done(
                plan, store, cluster=cluster, workers=workers, retry=retry, progress=progress,
                warn=warn, job=one_case,
            )  # fmt: skip
            found = Campaign(
                plan, worst_rows(plan, outcomes), started, sum(o.wall_s for o in outcomes.values())
            )
            _write(found, place, asked, pdf=pdf)
    return found


def identity_of(plan: CampaignPlan) -> dict[str, Any]:
    """Return what decides the outcomes of a campaign."""
    trees = [json.loads(text) for text in plan.scenarios]
    parts = [{"disturbances": tree["profile"][1]} for tree in trees]
    parts += [tree["scenario"] for tree in trees]
    files = sorted({named.path for tree in parts for named in named_files(tree)})
    return {
        "packages": versions(),
        "program": own_code(),
        "cases": [case.words for case in plan.cases],
        "scenario": digest("\n".join(plan.scenarios).encode()),
        "recorded files": {name: digest(Path(name).read_bytes()) for name in files},
        "seeds": plan.params.seeds,
    }


def worst_rows(plan: CampaignPlan, outcomes: Mapping[int, RunOutcome]) -> list[dict[str, Any]]:
    """Return the row of each case: the worst of its seeds for every figure and limit."""
    rows = []
    for number, case in enumerate(plan.cases):
        runs = [number * plan.params.seeds + k for k in range(plan.params.seeds)]
        done = [outcomes[run] for run in runs]
        errors = [outcome.error for outcome in done if outcome.error is not None]
        row: dict[str, Any] = {"name": case.words, **case._asdict(), "errors": errors}
        missed = sorted({name for outcome in done for name in outcome.limits_missed})
        row["missed"] = missed
        row["verdict"] = "not done" if errors else ("missed" if missed else "met")
        if missed == ["not shown"]:
            row["verdict"] = "not shown"
        good = [outcome.figures for outcome in done if outcome.error is None]
        said = [text for figures in good for text in figures.get("reasons.not_shown", ())]
        row["not_shown"] = list(dict.fromkeys(said))
        row["figures"] = {
            key: _largest([figures[key] for figures in good])
            for key in (good[0] if good else {}) if "." not in key
        }  # fmt: skip
        row["limits"] = [
            _limit_row(plan, key.removeprefix("limit."), good)
            for key in (good[0] if good else {}) if key.startswith("limit.")
        ]  # fmt: skip
        rows.append(row)
    return rows


def _limit_row(plan: CampaignPlan, name: str, good: list[dict[str, Any]]) -> dict[str, Any]:
    figure, limit = LIMITED[name], float(getattr(plan.base.limits, name))
    sign = 1.0 if figure.worse == "higher" else -1.0
    worst = max(
        good,
        key=lambda f: float("inf") if f[f"limit.{name}"] is None else sign * f[f"limit.{name}"],
    )
    value = worst[f"limit.{name}"]
    if value is None:
        used = None
    elif limit == 0:
        used = 0.0 if value <= 0 else None
    else:
        used = value / limit if sign > 0 else limit / max(value, 1e-300)
    first = good[0]
    return {
        "name": name, "limit": limit, "value": value, "used": used,
        "met": figure.meets(value, limit), "where": worst[f"where.{name}"],
        **{
            key: first.get(f"{key}.{name}")
            for key in ("factor", "low", "high", "monotone", "first")
        },
    }  # fmt: skip


def _largest(values: list[Any]) -> Any:
    return None if any(value is None for value in values) else max(values)


def _write(found: Campaign, place: Path, asked: Request, *, pdf: bool) -> None:
    origin = provenance(found.plan.base, found.started, asked)
    profiles = profiles_of(found.plan)
    page = page_of(found, profiles)._replace(provenance=origin)
    results = {
        "title": found.plan.params.title, "verdict": found.verdict, "cases": found.rows,
        "profiles": list(page.played), "profile_hashes": hashes_of(found.plan),
        "spectra": [row for profile in profiles for row in profile.numbers()],
        "runs": found.plan.n_runs, "runs_s": round(found.runs_s, 2), "provenance": origin,
    }  # fmt: skip
    put(place / "campaign.json", json.dumps(results, indent=1, allow_nan=False).encode())
    put(place / "campaign.toml", found.plan.path.read_bytes())
    put_page(place, lambda: render_study(page))
    html = place / "report.html"
    if pdf and html.exists():
        from sim.report.pdf import pdf_of

        put(place / "report.pdf", pdf_of(html))
    mark(place, KIND, OURS)
