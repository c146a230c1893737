"""Several changes at once: margins over [uncertainty], corners and inside, over populations."""

from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from controllers.analysis.linear_loop import Loop
from controllers.analysis.linearise import LinearController
from sim.assembly.build import Built
from sim.foundations.errors import ScenarioError
from sim.foundations.files.text import counted
from sim.foundations.ports import Array
from sim.results.metrics import mirror_name
from sim.results.requirements import RequirementsParams
from sim.studies.margins.demands import DEMANDED, Demands
from sim.studies.margins.figures import controller_matrices, figures_of
from sim.studies.margins.margins import linear_of
from sim.studies.margins.plant import plant_of
from sim.studies.margins.uncertain import Box, altered, box_of, point_words
from sim.studies.margins.worst import Looked, Worst, look

GRID = 500


class WorstCorner(NamedTuple):
    """The worst of a population at one combination of changes."""

    label: str
    """In words: which changes, which population."""
    unstable: int
    """Mirrors that are."""
    ms: float | None
    """Largest Ms, both axes together; None if a loop is unstable, as below. [-]"""
    ms_mirror: str
    gain_margin_db: float | None
    """Smallest; None too if no loop has one. [dB]"""
    gain_mirror: str
    phase_margin_deg: float | None
    """[deg]"""
    phase_mirror: str

    def keeps(self, required: RequirementsParams) -> bool:
        """Whether every loop keeps what is required."""
        gain_db, phase_deg = self.gain_margin_db, self.phase_margin_deg
        return (
            not self.unstable
            and (self.ms or 1.0) <= required.max_sensitivity
            and (gain_db is None or gain_db >= required.gain_margin_db)
            and (phase_deg is None or phase_deg >= required.phase_margin_deg)
        )


class Together(NamedTuple):
    """What several changes at once do."""

    corners: tuple[WorstCorner, ...]
    """The described switch first."""
    inside: tuple[WorstCorner, ...]
    """The worst switch inside the ranges for each requirement, where it is worse than all corners.
    """
    looked: Looked | None
    """What was looked at."""
    note: str | None
    """Why there are no others than the described switch."""


def together(built: Built, progress: Callable[[str, int, int], None] | None = None) -> Together:
    """Return margins over a scenario's [uncertainty]: resonance, Q, gain and delay, all at once.

    Every combination of higher and lower, and the worst inside the ranges that
    `sim.studies.margins.worst.look` finds, for the described population and for those of the
    following seeds; the controller, and all that it believes, stay.

    Parameters
    ----------
    built : Built
        The scenario.
    progress : callable, optional
        Called with what is done, how many are, and of how many.
    """
    linear, middle = linear_of(built), np.zeros(4)
    here = _corner(built, linear, middle, "as described")
    try:
        box = box_of(built, progress)
    except ScenarioError as exc:
        return Together((here,), (), None, str(exc))
    found = [here]
    corners = box.corners()
    for k, switch in enumerate(box.switches):
        if k:
            found.append(_corner(switch, linear, middle, box.label(k)))
        for point in corners if box.free.size else ():
            label = ", ".join(filter(None, (box.label(k), point_words(point))))
            found.append(_corner(switch, linear, point, label))
        if progress is not None:
            progress("corners", len(corners) * (k + 1), len(corners) * len(box.switches))
    required = built.resolved.requirements
    demands = Demands(
        required.max_sensitivity, required.gain_margin_db, required.phase_margin_deg, None
    )
    looked = look(box, linear, demands, progress=progress)
    inside = [_inside(box, linear, w) for w in looked.worst if not _at_corner(box, w)]
    return Together(tuple(found), tuple(dict.fromkeys(inside)), looked, None)


def together_verdict(found: Together, required: RequirementsParams) -> str:
    """Return the verdict on several changes in a sentence, the worst switch named."""
    corners = (*found.corners[1:], *found.inside)
    if not corners or found.looked is None:
        return f"Several changes at once were not looked at: {found.note}."
    where = f"{counted(len(found.corners) - 1, 'corner')} of [uncertainty] and inside"
    lost = [c for c in corners if c.unstable]
    if lost:
        most = max(lost, key=lambda c: c.unstable)
        return (
            f"Several changes at once: unstable at {len(lost)} of the switches looked at ({where}),"
            f" {counted(most.unstable, 'mirror')} at {most.label}."
        )
    worst = max(corners, key=lambda c: c.ms or 0.0)
    missed = [w for w in found.looked.worst if w.excess > 0]
    if not missed and all(c.keeps(required) for c in corners):
        kept = f"requirements kept at all {where}"
    else:
        by = ", ".join(f"{DEMANDED[w.demand][0]} by {100 * w.excess:.1f} %" for w in missed)
        count = sum(not c.keeps(required) for c in found.corners[1:])
        kept = f"a requirement is missed, {by or 'narrowly'} at worst (in {count} of {where})"
    return (
        f"Several changes at once: {kept}; largest Ms {worst.ms:.3f}, {worst.ms_mirror}, at "
        f"{worst.label}."
    )


def _at_corner(box: Box, w: Worst) -> bool:
    return bool((np.abs(w.point) == box.size).all())


def _inside(box: Box, linear: LinearController, w: Worst) -> WorstCorner:
    return _corner(box.switches[w.population], linear, w.point, f"inside: {w.label(box)}")


def _corner(built: Built, linear: LinearController, point: Array, label: str) -> WorstCorner:
    everyone = np.arange(len(built.parts.mirrors))
    plant = plant_of(built, altered(built, everyone, point[None]), within=False)
    f = figures_of(Loop(controller_matrices(linear, everyone), plant), GRID)
    unstable = int((~f.stable).sum())
    if unstable:
        return WorstCorner(label, unstable, None, "", None, "", None, "")
    ports, numbers = built.resolved.switch.geometry.ports_per_side, built.parts.mirrors

    def name(at: np.intp) -> str:
        return mirror_name(int(numbers[at]), ports)

    def least(value: float) -> float | None:
        return float(value) if np.isfinite(value) else None

    return WorstCorner(
        label, 0, float(f.ms.max()), name(f.ms.argmax()),
        least(f.gain_db.min()), name(f.gain_db.argmin()),
        least(f.phase_deg.min()), name(f.phase_deg.argmin()),
    )  # fmt: skip
