"""Golden vectors of a scenario's firmware: what goes in and what must come out, word by word."""

from collections.abc import Callable
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.assembly.build import Built
from sim.firmware.source import source_of
from sim.foundations.files.text import counted
from sim.studies.firmware.coverage import (
    Covered,
    corner_lines,
    law_lines,
    worst_lines,
)
from sim.studies.firmware.law_steps import law_rows
from sim.studies.firmware.made import (
    FirmwareError,
    calibrated_of,
    firmware_of,
    fixed_parts,
    refuse_frames,
)
from sim.studies.firmware.recorded import recorded
from sim.studies.firmware.vector_groups import (
    Group,
    calibrated_groups,
    drive_group,
    inputs_of,
    law_group,
    loop_group,
    quotients_group,
    spots_group,
    states_before,
)
from sim.studies.formats.examples import examples_of

MOST_MB: Final = 2000.0
"""Largest folder."""
MIRRORS: Final = 16
"""Mirrors whose frames are kept, if the user does not say."""


class Vectors(NamedTuple):
    """Golden vectors of a firmware: what goes in, and the words that must come out."""

    settings_sum: str
    groups: dict[str, Group]
    coverage: list[Covered]
    labels: list[str]
    """What the windows of the group "spots" are there for, by their number in `spots/label`."""
    exact: bool = True
    """False: of a firmware in single precision, which comes near and is not the same."""


def vectors_of(
    built: Built, frames: int, mirrors: int | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Vectors:  # fmt: skip
    """Make golden vectors of a scenario's firmware; docs/vectors.md says what each array holds.

    Parameters
    ----------
    built : Built
        A run whose estimator and controller compute in whole numbers.
    frames : int
        Frames of the loop, from its start.
    mirrors : int, optional
        How many of its mirrors are kept, evenly spread; `MIRRORS` if left out.
    progress : callable, optional
        Given (frames done, of how many) now and then.

    Raises
    ------
    FirmwareError
        If the run has no firmware, the C source cannot express it, or the folder is too large.
    """
    estimator, controller = fixed_parts(built)
    try:
        source = source_of(firmware_of(built))
    except ValueError as exc:
        raise FirmwareError(f"firmware: {exc}") from exc
    chosen = chosen_mirrors(built, frames, mirrors)
    fleet = len(built.parts.mirrors)
    run, ticks = recorded(built, frames, progress)
    most_dn = saturated_dn(built)
    loop, loop_lines = loop_group(run, chosen, controller, most_dn, calibrated_of(built))
    spots, labels, windows_lines = spots_group(built, estimator, most_dn)
    examples = examples_of(controller)
    steps, corners = law_rows(controller.law, fleet, [each.found for each in examples])
    law = controller.law
    before = states_before(run, chosen, controller)
    given = inputs_of(run, chosen)
    lines = [
        *loop_lines, *windows_lines,
        *law_lines(steps.before, steps.given, steps.after, steps.reset, "law"),
        Covered("law: taken over from a standing correction", int(steps.reset.sum()), "resets"),
        *worst_lines(examples),
        *corner_lines(
            law, corners,
            [
                (steps.mirror, steps.before, steps.given),
                (np.tile(chosen, frames), before, given),
            ],
        ),
    ]  # fmt: skip
    assert built.parts.coded is not None
    drive, drive_lines = drive_group(built.parts.coded.words, ticks, chosen)
    added, added_lines = calibrated_groups(
        calibrated_of(built), built.resolved.camera.window_px
    )
    quotients, quotient_lines = quotients_group(
        estimator.words, int(source.spot.macros["SPOT_NUMERATOR_BITS"])
    )
    lines += [*quotient_lines, *drive_lines, *added_lines]
    groups = {
        "loop": loop, "spots": spots, "quotients": quotients, "law": law_group(steps),
        "drive": drive,
    } | added  # fmt: skip
    return Vectors(source.sum, groups, lines, labels)


def chosen_mirrors(built: Built, frames: int, mirrors: int | None) -> NDArray[np.int64]:
    """Return the columns of the fleet whose frames are kept.

    Raises
    ------
    FirmwareError
        If there are not so many mirrors or frames, or the folder would be too large.
    """
    fleet = len(built.parts.mirrors)
    count = min(MIRRORS, fleet) if mirrors is None else mirrors
    if not 1 <= count <= fleet:
        raise FirmwareError(f"--mirrors: must be 1 to {fleet}, those of the run (got {count})")
    height, width = built.resolved.camera.window_px
    size_mb = 2e-6 * frames * count * height * width
    if size_mb > MOST_MB:
        raise FirmwareError(
            f"--frames: {counted(frames, 'frame')} of {counted(count, 'mirror')} make "
            f"{size_mb:.0f} MB of pixels, and {MOST_MB:.0f} are allowed; take fewer, or fewer "
            "--mirrors"
        )
    refuse_frames(built, frames)
    return np.unique(np.linspace(0, fleet - 1, count).round().astype(np.int64))


def saturated_dn(built: Built) -> int:
    """Return what a saturated pixel reads: full well or full scale. [DN]"""
    camera = built.resolved.camera
    well = round(camera.black_dn + camera.gain_dn_per_e * camera.full_well_e)
    return min(well, 2**camera.bits - 1)
