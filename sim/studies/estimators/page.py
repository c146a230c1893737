"""The bench's page: one table, one sheet of pictures, one recommendation."""

from collections.abc import Sequence
from importlib.resources import files
from typing import Any

import numpy as np
from jinja2 import Environment, StrictUndefined

from sim.studies.estimators.cases import AXES
from sim.studies.estimators.plots import loop_picture, sheet
from sim.studies.estimators.rows import Row
from sim.studies.estimators.run import Bench

MOST_SIGNALS = 4
OWN = " (scenario)"
SHORT = {"background_step": "dark step", "hot_pixels": "hot pixels"}
"""What the table's heads call axes with long names."""
DASH = "-"
RECORDED: tuple[tuple[str, str], ...] = (
    ("frames", "frames"),
    ("failure_rate", "not read"),
    ("wrong_rate", "wrong"),
    ("bias_rms_px", "bias [px]"),
    ("scatter_px", "scatter [px]"),
    ("rms_error_px", "error [px]"),
    ("bound_px", "bound [px]"),
    ("time_us", "time [us]"),
    ("multiply_adds", "multiply-adds"),
    ("memory_bytes", "bytes"),
)


def render(bench: Bench) -> str:
    """Return the page as HTML that loads nothing and runs no script; all text is escaped."""
    s = bench.summary
    environment = Environment(
        autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    template = environment.from_string(
        files("sim.studies.estimators").joinpath("template.html").read_text(encoding="utf-8")
    )
    settings = [
        (name, ", ".join(f"{k} {_short(v)}" for k, v in chosen.items()))
        for name, chosen in s["settings"].items()
    ]
    common = {"s": s, "settings": settings, "recorded": bench.agreement is not None}
    if bench.agreement is not None:
        return template.render(**common, **_recorded(bench.rows, s))
    return template.render(**common, **_simulated(bench.rows, s))


def _recorded(rows: Sequence[Row], s: dict[str, Any]) -> dict[str, Any]:
    return {
        "recorded_heads": [head for _, head in RECORDED],
        "recorded_table": [
            [row["estimator"], *(_cell(key, row[key]) for key, _ in RECORDED)] for row in rows
        ],
        "difference_table": [
            [name, *(DASH if v is None else f"{v:.4f}" for v in line)]
            for name, line in zip(s["estimators"], s["differences_px"], strict=True)
        ],
        "notes": [
            "Settings come from the scenario's camera; frames from another camera need a scenario "
            "that says so.",
            "The frames were read as they are: no cropping, no scaling, one spot each.",
        ],
    }


def _simulated(rows: Sequence[Row], s: dict[str, Any]) -> dict[str, Any]:
    signals = sorted({row["value"] for row in rows if row["axis"] == "signal"})
    places = np.linspace(0, len(signals) - 1, min(MOST_SIGNALS, len(signals))).round().astype(int)
    shown = [signals[i] for i in places]
    adverse_conditions = [
        (axis, value)
        for axis, value in s["adverse_conditions"].items()
        if any(r["axis"] == axis and abs(r["value"] - value) < 1e-9 for r in rows)
    ]
    loops = {row["estimator"]: row for row in s["loop"]}
    table = []
    for row in rows:
        if row["axis"] != "nominal":
            continue
        name = row["estimator"]
        line = [
            name,
            *(_cell(k, row[k]) for k in ("bias_rms_px", "scatter_px")),
            *(_cell(k, row[k]) for k in ("failure_rate", "false_accept_rate")),
            DASH if row["linear_range_px"] is None else f"{row['linear_range_px']:g}",
            *(_ratio(_at(rows, name, "signal", v), "corrected_px") for v in shown),
            *(_ratio(_at(rows, name, axis, v), "rms_error_px") for axis, v in adverse_conditions),
            *(_cell(k, row[k]) for k in ("time_us", "multiply_adds", "memory_bytes")),
        ]
        if loops:
            loop = loops[name]
            line += [
                DASH if loop["rms_urad"] is None else f"{loop['rms_urad']:.2f}",
                DASH if loop["excess_mean_db"] is None else f"{loop['excess_mean_db']:.2g}",
                str(loop["lost_frames"]),
            ]
        line[0] = name.removesuffix(OWN)
        table.append([name == s["recommendation"]["estimator"], name.endswith(OWN), *line])
    return {
        "table": table,
        "signals": [f"{v:g}" for v in shown],
        "adverse_conditions": [f"{SHORT.get(a, a)} {v:.3g}" for a, v in adverse_conditions],
        "adverse_condition_words": [
            f"{AXES[a].title}: {v:g} {AXES[a].unit}" for a, v in adverse_conditions
        ],
        "bound": next(f"{r['bound_px']:.4f}" for r in rows if r["axis"] == "nominal"),
        "sheet": sheet(rows),
        "loop_picture": loop_picture(s["loop"]) if loops else None,
        "notes": s["notes"],
    }


def _at(rows: Sequence[Row], name: str, axis: str, value: float) -> Row:
    return next(
        r
        for r in rows
        if r["estimator"] == name and r["axis"] == axis and abs(r["value"] - value) < 1e-9
    )


def _ratio(row: Row, key: str) -> str:
    """An error in bounds; a dash where there is none or most spots were not read."""
    if row[key] is None or row["failure_rate"] > 0.5:
        return DASH
    return f"{row[key] / row['bound_px']:.2f}"


def _cell(key: str, value: Any) -> str:
    if value is None:
        return DASH
    if key.endswith("_rate"):
        return f"{100 * value:.1f} %"
    if key.endswith("_px"):
        return f"{value:.4f}"
    return f"{value:.1f}" if isinstance(value, float) else str(value)


def _short(value: Any) -> str:
    return f"{value:.4g}" if isinstance(value, float) else str(value)
