"""The comparison's page: one table, one sheet of pictures, one recommendation."""

from collections.abc import Mapping
from typing import Any

from sim.report.base import base_of, template
from sim.studies.estimators.agreement import Agreement
from sim.studies.estimators.cases import AXES
from sim.studies.estimators.plots import PANELS, loop_picture, sheet, windows_picture
from sim.studies.estimators.rows import Row
from sim.studies.estimators.run import Comparison

OWN = " (scenario)"
DASH = "-"
RECORDED: tuple[tuple[str, str], ...] = (
    ("frames", "frames"),
    ("dim_rate", "DIM"),
    ("edge_rate", "EDGE"),
    ("failed_rate", "FAILED"),
    ("wrong_rate", "wrong"),
    ("bias_rms_px", "bias [px]"),
    ("scatter_px", "scatter [px]"),
    ("rms_error_px", "error [px]"),
    ("bound_px", "bound [px]"),
    ("time_us", "time [µs]"),
    ("multiply_adds", "multiply-adds"),
    ("memory_bytes", "bytes"),
)


def page_of(comparison: Comparison) -> str:
    """Return the page as HTML that loads nothing and runs no script; all text is escaped."""
    s = comparison.summary
    settings = [
        (name, ", ".join(f"{k} {_short(v)}" for k, v in chosen.items()))
        for name, chosen in s["settings"].items()
    ]
    found = (
        _simulated(comparison)
        if comparison.agreement is None
        else _recorded(comparison, comparison.agreement)
    )
    base = base_of(
        title=f"Estimators: {s['title']}",
        question="Which spot estimator?",
        provenance=s["provenance"],
        notes=found.pop("notes"),
        conditions=_weights(s),
        input_text=s["scenario_toml"],
    )
    page = template("template.html", "sim.studies.estimators")
    return page.render(
        base=base, s=s, settings=settings, recorded=comparison.agreement is not None, **found
    )


def _weights(s: Mapping[str, Any]) -> list[tuple[str, str]]:
    """The weights of conditions, where a recommendation rests on them."""
    conditions = s.get("conditions")
    if not conditions:
        return []
    words = ", ".join(f"{c['name'].replace('_', ' ')} {c['weight']:g}" for c in conditions)
    return [("Weights of conditions", words)]


def _recorded(comparison: Comparison, agreement: Agreement) -> dict[str, Any]:
    rows, s = comparison.rows, comparison.summary
    return {
        "checks": [("agrees" if c.agrees else "differs", c.text) for c in agreement.checks],
        "windows": windows_picture(agreement.frames_dn, agreement.spots_px, s["estimators"]),
        "recorded_heads": [head for _, head in RECORDED],
        "recorded_table": [
            [row["estimator"], *(_counted(key, row) for key, _ in RECORDED)] for row in rows
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


def _simulated(comparison: Comparison) -> dict[str, Any]:
    rows, s = comparison.rows, comparison.summary
    loops = {row["estimator"]: row for row in s["loop"]}
    table = []
    for row in rows:
        if row["axis"] != "nominal":
            continue
        name, timing = row["estimator"], s["timing"][row["estimator"]]
        line = [
            name.removesuffix(OWN),
            *(_cell(k, row[k]) for k in ("bias_rms_px", "scatter_px")),
            *(_cell(k, row[k]) for k in ("failure_rate", "false_accept_rate")),
            DASH if row["linear_range_px"] is None else f"{row['linear_range_px']:g}",
            *(_cell(k, row[k]) for k in ("time_us", "multiply_adds", "memory_bytes")),
        ]
        if s["processor"] is not None:
            line.append(_cell("compute_us", timing["compute_us"]))
        if loops:
            line += _loop_cells(loops.get(name))
        chosen = comparison.choice is not None and name == comparison.choice.estimator
        table.append([chosen, name.endswith(OWN), *line])
    drawn = any(row["axis"] in {panel[0] for panel in PANELS} for row in rows)
    return {
        "table": table,
        "prices": _prices(comparison),
        "bound": next(f"{r['bound_px']:.4f}" for r in rows if r["axis"] == "nominal"),
        "sheet": sheet(rows) if drawn else None,
        "loop_picture": loop_picture(s["loop"]) if loops else None,
        "notes": s["notes"],
    }


def _loop_cells(loop: Mapping[str, Any] | None) -> list[str]:
    if loop is None:
        return [DASH] * 4
    return [
        f"{loop['latency_us']:.0f}",
        DASH if loop["rms_urad"] is None else f"{loop['rms_urad']:.2f}",
        DASH if loop["excess_mean_db"] is None else f"{loop['excess_mean_db']:.2g}",
        str(loop["lost_frames"]),
    ]


def _prices(comparison: Comparison) -> dict[str, Any] | None:
    """The table behind the recommendation: least price first."""
    if comparison.choice is None:
        return None
    s, choice = comparison.summary, comparison.choice
    first = next(iter(s["condition_prices"].values()))
    heads = [
        (
            "camera as it is" if c["name"] == "nominal" else c["name"].replace("_", " "),
            f"{c['weight']:g}",
            _condition_words(c["name"], s),
        )
        for c in first
    ]
    order = sorted(
        choice.price_px, key=lambda name: (name != choice.estimator, choice.price_px[name])
    )
    lines = [
        [
            name == choice.estimator,
            name,
            f"{choice.price_px[name]:.4f}",
            *(_price_cell(c) for c in s["condition_prices"][name]),
            choice.passed_over.get(name, "recommended").replace("+-", "±"),
        ]
        for name in order
    ]
    return {"heads": heads, "lines": lines}


def _condition_words(name: str, s: Mapping[str, Any]) -> str:
    if name == "dark":
        return "no light"
    found = next(c for c in s["conditions"] if c["name"] == name)
    if found["value"] is None:
        return "in the loop" if s["loop"] else "as it is"
    return f"{found['value']:g} {AXES[found['axis']].unit}"


def _price_cell(c: Mapping[str, Any]) -> str:
    text = f"{c['price_px']:.4f}"
    return text + (
        f" ({100 * (c['lost'] + c['wrong']):.1f} %)" if c["lost"] + c["wrong"] >= 0.001 else ""
    )


def _counted(key: str, row: Row) -> str:
    """A status as a count of frames; the rest as elsewhere."""
    if key in ("dim_rate", "edge_rate", "failed_rate"):
        return str(round(row[key] * row["frames"]))
    return _cell(key, row[key])


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
