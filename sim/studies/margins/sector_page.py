"""The page of a law that has no margins but a sector."""

from typing import Any

from sim.report.sector_plot import sector_picture
from sim.report.study_page import Section, StudyPage, Table
from sim.results.units import number
from sim.scenario.portable import portable_toml
from sim.studies.margins.loops import AXES
from sim.studies.margins.plant import plant_word
from sim.studies.margins.sector import (
    ASSUMPTIONS,
    SectorStudy,
    sector_rows,
    sector_verdict,
)

LISTED = 12


def sector_page(result: SectorStudy) -> StudyPage:
    """Return the page."""
    found, (m, axis) = result.found, result.worst
    table = sector_rows(result)
    order = sorted(table, key=lambda r: _least(r["circle_margin_db"]))[:LISTED]
    name = f"mirror {table[2 * m]['name']}, axis {AXES[axis]}"
    return StudyPage(
        title=f"Stability of a nonlinear law: {result.built.resolved.title}",
        question="Is every loop stable, although its controller is not linear?",
        verdict=sector_verdict(result),
        good=bool(result.circle.certain.all()),
        sections=[
            Section(
                "What was seen",
                [f"Seen: {found.kind}. The law is a static map of the {found.place} in series "
                 f"with a linear part. The map's slopes, against the linear part at large signals, "
                 f"go from {found.low:.4g} to {found.high:.4g}.",
                 f"Rows are of the {plant_word(result.built)} plant."],
                [Table(
                    "Loops by what is certain, the nearest first",
                    ["Mirror, axis", "Circle criterion", "Margin [dB]", "Nearest at [Hz]",
                     "Comes within, rms [urad]",
                     "Describing function: margin [dB]", "Limit at [Hz]", "Cycle [urad]"],
                    [[f"{r['name']}, {r['axis']}", "certain" if r["circle_certain"] else
                      "not certain"]
                     + [_cell(r[key]) for key in ("circle_margin_db", "circle_hz",
                        "circle_rest_urad", "describing_margin_db", "describing_limit_hz",
                        "describing_cycle_urad")]
                     for r in order],
                )],
            ),
            Section(
                "Sector and circle",
                pictures=[
                    sector_picture(
                        1e6 * result.amplitude_rad, result.slopes[:, m, axis],
                        result.gains[:, m, axis], float(result.limit[m, axis]),
                        result.response[:, m, axis], (found.low, found.high), name, found.place,
                    )
                ],
            ),
        ],
        notes=[*result.built.warnings, *ASSUMPTIONS],
        scenario_toml=portable_toml(result.built.resolved),
    )  # fmt: skip


def _least(value: float | None) -> float:
    return -1e9 if value is None else value


def _cell(value: Any) -> str:
    return "none" if value is None else number(value, "", 4)
