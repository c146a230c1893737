"""What the page of a run shows beside its figures: places, parts of the loss, marks on spots."""

from typing import Any

import numpy as np

from sim.assembly.build import Built
from sim.camera.settings import window_origin
from sim.foundations.ports import Array
from sim.loop.sight import expected_px
from sim.optics.lattice import lattice_places
from sim.optics.links import links
from sim.report.view import SpotMarks
from sim.results.traces import SpotImages

STILL_S = 0.05
"""This long after a command the spots of a picture count as expected at their aims. [s]"""
PART_WORDS = {
    "reflectivity_db": "mirrors' reflectivity", "clipping_db": "clipping at the mirrors' edges",
    "combiners_db": "beam combiners", "collimators_db": "collimators",
    "connectors_db": "connectors", "mode_db": "mode mismatch", "curvature_db": "mirror curvature",
}  # fmt: skip


def page_data(built: Built, images: SpotImages) -> dict[str, Any]:
    """Return the arguments of `sim.report.ReportView` that neither figures nor traces hold."""
    return {
        "places_mm": _places(built),
        "without_images": built.resolved.camera.noise == "equivalent",
        "aligned_parts_db": _parts(built),
        "marks": _marks(built, images) if len(images.moments) else None,
        "resonances_hz": _resonances(built),
    }


def _places(built: Built) -> dict[str, Array]:
    g = built.resolved.switch.geometry
    sides = {
        "A": (g.ports_per_side, g.columns, g.pitch_mm),
        "B": (g.outputs or g.ports_per_side, g.output_columns or g.columns,
              g.output_pitch_mm or g.pitch_mm),
    }  # fmt: skip
    return {
        side: pitch_mm * lattice_places(count, columns, g.lattice, g.outline)
        for side, (count, columns, pitch_mm) in sides.items()
    }


def _parts(built: Built) -> dict[str, Array]:
    scenario, parts = built.resolved, built.parts
    found = links(
        scenario.switch, scenario.seeds.population, parts.inputs, parts.epochs[-1].outputs
    ).losses
    return {
        PART_WORDS[name]: np.asarray(value)
        for name, value in found._asdict().items()
        if np.any(value)
    }


def _marks(built: Built, images: SpotImages) -> SpotMarks:
    """Read the kept images once more, and say where the spots were expected."""
    parts = built.parts
    measured, expected, status = [], [], []
    for time_s, frames in zip(images.time_s, images.frames_dn, strict=True):
        epoch = [e for e in parts.epochs if e.start_s <= time_s + 1e-9][-1]
        aim_px = expected_px(parts, epoch.aim_rad + parts.population.alignment_rad)
        origin = window_origin(aim_px, parts.measurement.window_px)
        still = not epoch.commanded or time_s - epoch.start_s > STILL_S
        reading = parts.measurement.reading_of(frames.astype(np.int32), origin)
        measured.append(reading.spot_px)
        status.append(reading.status)
        spot_px = aim_px - origin
        expected.append(spot_px if still else np.full_like(spot_px, np.nan))
    return SpotMarks(np.stack(measured), np.stack(expected), np.stack(status))


def _resonances(built: Built) -> dict[str, float]:
    scenario = built.resolved
    found: dict[str, float] = {}
    if scenario.bracket is not None:
        found["camera's bracket"] = float(np.max(scenario.bracket.resonance_hz))
    found["mirrors"] = float(np.min(scenario.mirror.resonance_hz))
    return found
