"""The folder of a life."""

import csv
import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final

import numpy as np

from sim.foundations.files.filing import filed, put_page
from sim.report.study_page import render_study
from sim.scenario.portable import copy_files
from sim.studies.life.episodes import with_episodes
from sim.studies.life.levers import Lever
from sim.studies.life.page import page_of, verdict_of
from sim.studies.life.study import Life, connections_of, results_of
from sim.studies.life.switches import COURSES, Switches
from sim.studies.life.totals import CAUSES, CONTRIBUTORS, LIMITS
from sim.studies.run.provenance import NOTHING_ASKED, Request, provenance, switch_words

KIND: Final = "life"


def whole(
    life: Life, found: Switches | None, *, episodes: list[dict[str, Any]] | None = None,
    overlap: dict[str, Any] | None = None,
    tried: tuple[list[Lever], list[Lever]] | None = None,
) -> dict[str, Any]:  # fmt: skip
    """Return what `life.json` holds: of the first switch, and of all where there are many."""
    results = results_of(life)
    single = {
        name: {
            "median": results["missed_at_years"][name], "low": None, "high": None,
            "share_censored": float(results["missed_at_years"][name] is None), "switches": 1,
            "causes": {} if (by := results["missed_by"][name]) is None else {by["cause"]: 1},
        }
        for name in LIMITS
    }  # fmt: skip
    results |= {"switches": 1, "first_miss_years": _by_limit(single)}
    if found is not None:
        results |= _of_many(found)
    results |= {
        "episodes": episodes or [],
        "availability": with_episodes(
            results["availability"], episodes or [],
            results["episodes_lived"] if found is None else found.episodes,
        ),
        "overlap": overlap,
        "causes": [one._asdict() for one in tried[0]] if tried else [],
        "maintenance": [one._asdict() for one in tried[1]] if tried else [],
    }
    results["met"] = results["first_miss_years"]["share_censored"] == 1.0
    agreement = ""
    if overlap is not None:
        apart = ", ".join(UNBOUNDED[name] for name, kept in overlap["agree"].items() if not kept)
        agreement = f"both clocks do not agree: {apart}" if apart else "both clocks agree"
        results["met"] = results["met"] and not apart
    results["verdict"] = verdict_of(results, agreement)
    return results


UNBOUNDED: Final = {
    "correction_rms_urad": "corrections, rms",
    "correction_max_urad": "the correction that differs most",
    "loss_db": "loss over all connections",
    "connection_db": "the connection that differs most",
    "jitter_share": "jitter",
}
"""Bounds of the comparison of both clocks, in words."""


def _by_limit(missed: dict[str, Any]) -> dict[str, Any]:
    """Return the first miss of the limit that decides, and of each by name."""
    return {**missed[LIMITS[-1]], "by_limit": missed}


def _of_many(found: Switches) -> dict[str, Any]:
    missed: dict[str, Any] = {}
    for name in LIMITS:
        law = found.weibull(name)
        missed[name] = found.first_miss(name) | {
            "weibull": None if law is None else law._asdict(), "causes": found.causes[name],
        }  # fmt: skip
    count = len(found.courses_db["max_db"])
    return {
        "switches": count,
        "not_done": found.failed,
        "first_miss_years": _by_limit(missed),
        **{name: _plain(np.nanmedian(found.courses_db[name], axis=0)) for name in COURSES},
        "over_switches": {
            name: {
                f"p{share:02d}": _plain(np.nanpercentile(found.courses_db[name], share, axis=0))
                for share in (5, 50, 95)
            }
            for name in COURSES
        },
        "contributors": {name: _plain(found.contributors_db[name]) for name in CONTRIBUTORS},
        "availability": {
            "share": found.availability,
            "connection_hours": found.connection_hours,
            "out_by_cause_h": {cause: found.out_h[cause] for cause in CAUSES},
        },
    }


def _write_csv(path: Path, columns: Mapping[str, Sequence[float | int | None]]) -> None:
    """Write columns, losses to five decimals; what was dark throughout stays empty."""
    with path.open("w", encoding="ascii", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(columns)
        for row in zip(*columns.values(), strict=True):
            writer.writerow(
                ["" if v is None else v if isinstance(v, int) else f"{v:.5f}" for v in row]
            )


def _plain(values: Any) -> list[float]:
    return [float(value) for value in values]


def write(
    life: Life, results: dict[str, Any], folder: str | Path, *, overwrite: bool,
    found: Switches | None = None, tried: tuple[list[Lever], list[Lever]] | None = None,
    asked: Request = NOTHING_ASKED,
) -> Path:  # fmt: skip
    """Write life.json, years.csv, connections.csv, scenario.toml and report.html.

    Returns the folder.

    Raises
    ------
    OutputError
        If the folder exists and may not be replaced, or cannot be written.
    """
    folder = Path(folder)
    origin = provenance(life.scenario, life.started, asked)
    with filed(folder, kind=KIND, overwrite=overwrite) as new:
        text = json.dumps(results | {"provenance": origin}, indent=1, allow_nan=False)
        (new / "life.json").write_text(text, encoding="utf-8")
        years = {"year": results["years"], **{name: results[name] for name in COURSES}}
        years |= {f"{name}_db": results["contributors"][name] for name in CONTRIBUTORS}
        _write_csv(new / "years.csv", years)
        _write_csv(new / "connections.csv", connections_of(life))
        page = page_of(results, life, found, tried)
        page = page._replace(
            provenance=origin, strip=[("switch", switch_words(life.scenario)), *page.strip]
        )
        (new / "scenario.toml").write_text(page.scenario_toml, encoding="utf-8")
        copy_files(life.scenario, new)
        put_page(new, lambda: render_study(page))
    return folder
