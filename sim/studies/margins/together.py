"""Several changes at once: margins at every corner of [uncertainty], over population seeds."""

from typing import NamedTuple

import numpy as np

from controllers.analysis.linear_loop import (
    Loop,
    axis_gain,
    close,
    frequency_grid,
    growth,
    largest_singular_value,
    loop_gain,
    sensitivity,
)
from controllers.analysis.margins import margins
from sim.assembly.build import Built
from sim.errors import ScenarioError
from sim.results.metrics import mirror_name
from sim.results.requirements import RequirementsParams
from sim.studies.margins.judge import World
from sim.studies.margins.margins import linear_of
from sim.studies.margins.uncertain import worlds_of

GRID = 500


class Corner(NamedTuple):
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

    corners: tuple[Corner, ...]
    """The described switch first."""
    note: str | None
    """Why there are no others."""


def together(built: Built) -> Together:
    """Return the corners of a scenario's [uncertainty]: resonance, Q, gain and delay, all at once.

    Every combination of higher and lower, for the described population and for those of the
    following seeds; the controller, and all that it believes, stay. A worst case inside the ranges
    is not looked for.
    """
    here = _corner(World(built, "as described"))
    try:
        worlds = worlds_of(built)
    except ScenarioError as exc:
        return Together((here,), str(exc))
    return Together((here, *map(_corner, worlds)), None)


def together_verdict(found: Together, required: RequirementsParams) -> str:
    """Return the verdict on several changes in a sentence, the worst corner named."""
    corners = found.corners[1:]
    if not corners:
        return f"Several changes at once were not looked at: {found.note}."
    lost = [c for c in corners if c.unstable]
    if lost:
        most = max(lost, key=lambda c: c.unstable)
        return (
            f"Several changes at once: unstable at {len(lost)} of {len(corners)} corners of "
            f"[uncertainty], {most.unstable} mirrors at {most.label}."
        )
    worst = max(corners, key=lambda c: c.ms or 0.0)
    missed = sum(not c.keeps(required) for c in corners)
    kept = (
        f"requirements kept at all {len(corners)} corners of [uncertainty]"
        if not missed
        else f"a requirement is missed at {missed} of {len(corners)} corners of [uncertainty]"
    )
    return (
        f"Several changes at once: {kept}; largest Ms {worst.ms:.3f}, {worst.ms_mirror}, at "
        f"{worst.label}."
    )


def _corner(world: World) -> Corner:
    built = world.built
    loop = Loop(linear_of(built), world.plant)
    unstable = int((growth(close(loop)) >= 1.0).sum())
    if unstable:
        return Corner(world.label, unstable, None, "", None, "", None, "")
    grid = frequency_grid(loop, GRID)
    whole = sensitivity(loop_gain(loop, grid))
    ms = largest_singular_value(whole).max(axis=0)
    own = margins(grid, axis_gain(whole))
    gain = 20 * np.log10(np.nan_to_num(own.gain, nan=np.inf).min(axis=-1))
    phase = np.degrees(np.nan_to_num(own.phase_rad, nan=np.inf).min(axis=-1))
    ports, numbers = built.resolved.switch.geometry.ports_per_side, built.parts.mirrors

    def name(at: np.intp) -> str:
        return mirror_name(int(numbers[at]), ports)

    def least(value: float) -> float | None:
        return float(value) if np.isfinite(value) else None

    return Corner(
        world.label, 0, float(ms.max()), name(ms.argmax()), least(gain.min()), name(gain.argmin()),
        least(phase.min()), name(phase.argmin()),
    )  # fmt: skip
