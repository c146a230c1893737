"""What errors of a calibration cost in the loop: the same run with other beliefs, subtracted."""

from collections.abc import Callable, Iterator
from typing import Any, Final, NamedTuple

from sim.calibration.known import GROUPS, data_sheet_beliefs, mixed
from sim.calibration.results import Beliefs
from sim.scenario.model import Scenario
from sim.studies.calibrate.study import SimulatedCalibration
from sim.studies.run.make import make_run

EXACT: Final = "everything known exactly"
CALIBRATED: Final = "as calibrated"
SHEET: Final = "data sheets alone"


class Outcome(NamedTuple):
    """Figures of one run; None where there is none."""

    settling_p95_ms: float | None
    settling_max_ms: float | None
    unsettled: int
    bias_urad: float | None
    rms_urad: float | None
    excess_mean_db: float | None
    excess_max_db: float | None
    lost_frames: int

    def minus(self, other: "Outcome") -> "Outcome":
        """Return the differences, None where either is missing."""
        return Outcome(*(
            None if a is None or b is None else a - b for a, b in zip(self, other, strict=True)
        ))  # type: ignore[arg-type]


class Costs(NamedTuple):
    """The same run with different beliefs."""

    whole: dict[str, Outcome]
    """Everything exact, all as calibrated, nothing but data sheets."""
    left: dict[str, Outcome]
    """For each part of the calibration: that part as calibrated, all else exact."""
    without: dict[str, Outcome]
    """For each part: that part by its data sheet, all else as calibrated."""

    def cost(self, part: str) -> Outcome:
        """Return what the error that a part leaves costs."""
        return self.left[part].minus(self.whole[EXACT])


def costs(
    scenario: Scenario, found: SimulatedCalibration,
    progress: Callable[[int, int], None] | None = None,
) -> Costs:  # fmt: skip
    """Run the scenario with every mixture of beliefs; noise and mirrors are the same in all.

    Differences are of the same draws, so that they show effects far below the scatter from seed
    to seed. A guard against other mirrors' spots acts in all of them.
    """
    bare = scenario.replace(calibration=found.settings)
    measured, truth = found.beliefs, found.truth
    if measured.maps is None or measured.maps.dark_dn is None:
        truth = truth._replace(maps=measured.maps)  # nothing to correct in either
    poor = data_sheet_beliefs(found.cameras, found.settings, measured)
    plans: list[tuple[str, str, Beliefs]] = [
        ("whole", EXACT, truth), ("whole", CALIBRATED, measured), ("whole", SHEET, poor),
        *(("left", part, mixed(truth, measured, part)) for part in GROUPS),
        *(("without", part, mixed(measured, poor, part)) for part in GROUPS),
    ]  # fmt: skip
    tables: dict[str, dict[str, Outcome]] = {"whole": {}, "left": {}, "without": {}}
    for kind, name, beliefs in _told(plans, progress):
        made = make_run(bare, pictures=False, beliefs=beliefs)
        tables[kind][name] = _outcome(made.figures)
    return Costs(**tables)


def _told(
    plans: list[tuple[str, str, Beliefs]], progress: Callable[[int, int], None] | None
) -> Iterator[tuple[str, str, Beliefs]]:
    for k, plan in enumerate(plans):
        if progress is not None:
            progress(k, len(plans))
        yield plan
    if progress is not None:
        progress(len(plans), len(plans))


def _outcome(figures: dict[str, Any]) -> Outcome:
    settling, pointing, coupling = (figures[k] for k in ("settling", "pointing", "coupling"))
    moved = settling["count"] > 0
    return Outcome(
        settling["p95_ms"] if moved else None,
        settling["max_ms"] if moved else None,
        settling["unsettled"],
        pointing["bias_urad"], pointing["rms_urad"],
        coupling["excess_mean_db"], coupling["excess_max_db"],
        figures["lost"]["frames"],
    )  # fmt: skip
