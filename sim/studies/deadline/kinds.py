"""What a frame takes with each estimator that has C source, on one processor, stage by stage."""

from collections.abc import Callable
from typing import Any, Final, Literal, NamedTuple

from sim.assembly.build import build
from sim.camera.processor import ProcessorParams
from sim.estimators import ESTIMATORS
from sim.firmware.emulator import Counted, missing
from sim.firmware.spots.estimator import FIXED_FORMS
from sim.foundations.errors import SimError
from sim.scenario.model import Scenario
from sim.studies.deadline.stored import stored_counts
from sim.studies.estimators.settings import settings_of
from sim.studies.firmware.counting import count_instructions

KINDS: Final = tuple(
    name for name, part in ESTIMATORS.items() if part.function in FIXED_FORMS
)
"""Estimators that can be written as C."""
FIXED: Final = {"kind": "fixed"}
PER_INSTRUCTION: Final[float] = ProcessorParams.model_fields["cycles_per_instruction"].default


class KindCost(NamedTuple):
    """One estimator on the processor."""

    kind: str
    own: bool
    """Whether it is the scenario's own, with the scenario's settings."""
    counted: Counted
    where: Literal["here", "stored"]
    """Counted now, for this scenario; or filed with the program."""
    why_stored: str | None

    @property
    def after_last_row(self) -> int:
        """Largest count from the last row to the codes of a tick; stages by themselves. [-]"""
        return sum(self.counted.stage(name).most for name in ("reading", "law", "drive"))


class EstimatorsCompared(NamedTuple):
    """All estimators on the same processor."""

    rows: tuple[KindCost, ...]
    """The fewest instructions first."""
    stored_words: str
    """Where counts are from that are not of here."""
    stored_window_px: tuple[int, int]
    cycles_per_instruction: float
    """As the scenario's processor has it, or as it is taken where none is stated."""


def compare_kinds(
    scenario: Scenario, *, emulate: bool = True,
    progress: Callable[[int, int], None] | None = None,
) -> EstimatorsCompared:  # fmt: skip
    """Count every estimator's firmware for a scenario's windows, or take the stored counts.

    Parameters
    ----------
    scenario : Scenario
        Its camera gives the windows. Other estimators than its own get settings worked out from the
        camera, as `mirrorloop estimators` does. What has no `arithmetic` gets its defaults.
    emulate : bool
        Whether to count on the emulator; an estimator for which that fails has the stored count.
    progress : callable, optional
        Called with (estimators counted, all estimators).
    """
    stored = stored_counts()
    lack = missing() if emulate else "not asked for"
    rows = []
    for k, kind in enumerate(KINDS):
        if progress is not None:
            progress(k, len(KINDS))
        own, why = scenario.estimator["kind"] == kind, lack
        if why is None:
            try:
                rows.append(KindCost(kind, own, count_kind(scenario, kind), "here", None))
                continue
            except SimError as exc:
                why = str(exc).splitlines()[0]
        rows.append(KindCost(kind, own, stored.of[kind], "stored", why))
    if progress is not None:
        progress(len(KINDS), len(KINDS))
    rows.sort(key=lambda row: row.counted.stage("frame").most)
    processor = scenario.processor
    per = PER_INSTRUCTION if processor is None else processor.cycles_per_instruction
    return EstimatorsCompared(tuple(rows), stored.words, stored.window_px, per)


def count_kind(scenario: Scenario, kind: str) -> Counted:
    """Count the firmware of a scenario with another estimator in place of its own.

    Raises
    ------
    SimError
        If that firmware cannot be written, compiled or run.
    """
    own = scenario.estimator["kind"] == kind
    settings: dict[str, Any] = (
        dict(scenario.estimator) if own
        else {"kind": kind, **settings_of(ESTIMATORS[kind], scenario.camera)}
    )  # fmt: skip
    fixed = scenario.estimator.get("arithmetic") or FIXED
    controller = dict(scenario.controller)
    return count_instructions(
        build(
            scenario.replace(
                estimator=settings | {"arithmetic": fixed},
                controller=controller | {"arithmetic": controller.get("arithmetic") or FIXED},
            )
        )
    )


def clock_mhz(instructions: float, spots: int, spare_us: float, per_instruction: float) -> float:
    """Return the clock at which so many instructions of each spot take the time there is. [MHz]"""
    return instructions * spots * per_instruction / spare_us if spare_us > 0 else float("inf")
