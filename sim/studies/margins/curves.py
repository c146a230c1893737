"""Responses of chosen loops as tables: L, S and T over frequency, and steps over time."""

from collections.abc import Sequence
from typing import Any, Final

import numpy as np

from sim.foundations.errors import ScenarioError, nearest
from sim.results.metrics import mirror_name
from sim.studies.margins.loops import AXES, MarginsStudy

FREQUENCY_COLUMNS: Final = ("mirror", "axis", "frequency_hz", "loop_gain_db", "loop_phase_deg",
                            "sensitivity_db", "sensitivity_phase_deg", "complementary_db",
                            "complementary_phase_deg")  # fmt: skip
STEP_COLUMNS: Final = ("mirror", "axis", "time_ms", "reference_step", "rest_step")


def loops_named(result: MarginsStudy, names: Sequence[str]) -> list[tuple[int, int]]:
    """Return the places (mirror, axis) of the worst loops, then of the mirrors of these names.

    Raises
    ------
    ScenarioError
        If a name is not that of a mirror of the study.
    """
    ports = result.built.resolved.switch.geometry.ports_per_side
    known = {mirror_name(int(n), ports): i for i, n in enumerate(result.built.parts.mirrors)}
    places = [result.worst, result.least_gain]
    for name in names:
        if name not in known:
            raise ScenarioError(
                f'--loop: "{name}" is no mirror of this scenario.{nearest(name, tuple(known))}'
            )
        places += [(known[name], 0), (known[name], 1)]
    return list(dict.fromkeys(places))


def frequency_table(result: MarginsStudy, places: Sequence[tuple[int, int]]) -> list[list[Any]]:
    """Return rows of `FREQUENCY_COLUMNS`: each axis with the other axis' loop closed."""
    rows: list[list[Any]] = []
    for m, axis in places:
        gain = result.gain[:, m, axis]
        sensitivity = 1.0 / (1.0 + gain)
        parts = (gain, sensitivity, 1.0 - sensitivity)
        columns = [
            column
            for part in parts
            for column in (
                20 * np.log10(np.maximum(np.abs(part), 1e-300)),
                np.degrees(np.unwrap(np.angle(part))),
            )
        ]
        table = np.column_stack([result.frequency_hz, *columns])
        rows += [[*_who(result, m), AXES[axis], *map(_text, row)] for row in table]
    return rows


def step_table(result: MarginsStudy, places: Sequence[tuple[int, int]]) -> list[list[Any]]:
    """Return rows of `STEP_COLUMNS`; ten instants a frame; none for an unstable mirror."""
    steps, rows = result.steps, []
    for m, axis in places:
        if not result.stable[m]:
            continue
        table = np.column_stack(
            [1e3 * steps.time_s, steps.reference[:, m, axis], steps.rest[:, m, axis]]
        )
        rows += [[*_who(result, m), AXES[axis], *map(_text, row)] for row in table]
    return rows


def csv_of(columns: Sequence[str], rows: Sequence[Sequence[Any]]) -> str:
    """Return a table as CSV."""
    return "\n".join(",".join(map(str, row)) for row in (columns, *rows)) + "\n"


def _who(result: MarginsStudy, m: int) -> list[str]:
    ports = result.built.resolved.switch.geometry.ports_per_side
    return [mirror_name(int(result.built.parts.mirrors[m]), ports)]


def _text(value: float) -> str:
    return f"{value:.9g}"
