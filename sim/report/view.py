"""What the page of a run shows."""

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.foundations.ports import Array
from sim.mechanics.shock_spectrum import ResponseSpectrum
from sim.optics.epochs import Epoch
from sim.report.study_page import Section
from sim.results.ranking import Ranking
from sim.results.traces import SpotImages, Traces
from sim.results.verdict import Verdict


class SpotMarks(NamedTuple):
    """Where spots were read in the kept images, K moments of M mirrors."""

    measured_px: Array
    """(K, M, 2) in the window; NaN where not read. [px]"""
    expected_px: Array
    """(K, M, 2) in the window; NaN while the mirror was on its way. [px]"""
    status: NDArray[np.uint8]
    """(K, M) SpotStatus."""


class ReportView(NamedTuple):
    """Everything the page shows; nothing is computed anew but what is needed to draw."""

    title: str
    question: str
    """What the scenario asks; its first sentence stands open."""
    figures: Mapping[str, Any]
    """What `sim.results.metrics.evaluate` returned."""
    limits: Sequence[Mapping[str, Any]]
    """What `sim.results.limits.check_limits` returned."""
    verdict: Verdict
    rows: Ranking
    traces: Traces
    epochs: Sequence[Epoch]
    images: SpotImages | None
    scenario_toml: str
    """The resolved scenario."""
    provenance: Mapping[str, Any]
    """Version, seed, packages, time: as `results.json` holds them."""
    notes: Sequence[str]
    """Warnings, assumptions and limits of this run."""
    shock_spectrum: ResponseSpectrum | None
    """None if the core stood still."""
    outage_excess_db: float
    """Misalignment loss above which a connection counts as out. [dB]"""
    ports: int
    """Input ports."""
    conditions: Sequence[Mapping[str, Any]] = ()
    """Of records and shocks, as they were played."""
    places_mm: Mapping[str, Array] | None = None
    """"A" and "B" -> (P, 2) place of each mirror on its array. [mm]"""
    aligned_parts_db: Mapping[str, Array] | None = None
    """Contributor -> (C,) aligned loss at the end of the run. [dB]"""
    without_images: bool = False
    """Whether readings were drawn from a table, so that no spot could be lost."""
    marks: SpotMarks | None = None
    played: Sequence[Section] = ()
    """What shakes the base: tolerances, what was done to records, spectra."""
    watch: Sequence[str] = ()
    """What the health watch found, in sentences; empty without one."""
    resonances_hz: Mapping[str, float] | None = None
    """Resonances that the verdict may rest on, by what they are of. [Hz]"""
