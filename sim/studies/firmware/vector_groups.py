"""The groups of golden vectors: what each array holds, and what its rows cover."""

from collections.abc import Iterable
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.assembly.build import Built
from sim.firmware.calibrated.source import Calibrated
from sim.firmware.code_corners import CodeRows, corner_rows, from_tie, rows_with_codes
from sim.firmware.codes import CodeWords
from sim.firmware.controller import FixedController, FixedInput
from sim.firmware.fixed_law import FixedState
from sim.firmware.inner_corners import InnerCorner, inner_corners
from sim.firmware.quotient_corners import Quotients, corner_quotients, sides_of
from sim.firmware.spot_source import quotient_shifts
from sim.firmware.spot_ties import sums_of, tie_windows
from sim.firmware.spots.estimator import FixedEstimator
from sim.firmware.spots.noting import noting
from sim.firmware.spots.partial import read_partial
from sim.firmware.spots.thresholded_centroid import ThresholdedCentroidWords
from sim.firmware.spots.verdict import SpotWords
from sim.foundations.files.text import counted
from sim.foundations.ports import SpotStatus
from sim.studies.firmware.calibrated_vectors import (
    guard_rows,
    lens_rows,
    map_words,
    pixel_rows,
)
from sim.studies.firmware.coverage import (
    Covered,
    inner_lines,
    law_lines,
    spot_lines,
)
from sim.studies.firmware.law_steps import MOST_MIRRORS, LawRows
from sim.studies.firmware.recorded import DriveTick, LoopFrame
from sim.studies.firmware.windows import Window, windows_of

NEAR: Final = "where the own spot and those of 8 neighbours are expected, each from its own home"


class VectorArray(NamedTuple):
    """An array of a group; its first side counts rows."""

    values: NDArray[Any]
    what: str


Group = dict[str, VectorArray]


def _flat(frames: Iterable[Any], chosen: NDArray[np.int64]) -> Any:
    """Return an array of all frames, frame after frame, of the chosen mirrors."""
    return np.concatenate([frame[chosen] for frame in frames])


def inputs_of(run: list[LoopFrame], chosen: NDArray[np.int64]) -> FixedInput:
    """Return what the law is given in each frame."""
    parts = zip(*(frame.given for frame in run), strict=True)
    return FixedInput._make(_flat(part, chosen) for part in parts)


def _states(states: Iterable[FixedState], chosen: NDArray[np.int64]) -> FixedState:
    return FixedState._make(_flat(part, chosen) for part in zip(*states, strict=True))


def states_before(
    run: list[LoopFrame], chosen: NDArray[np.int64], controller: FixedController
) -> FixedState:
    """Return the states before each frame."""
    start = controller.initial_state(len(run[0].after.correction))
    return _states([start, *(frame.after for frame in run[:-1])], chosen)


def loop_group(
    run: list[LoopFrame], chosen: NDArray[np.int64], controller: FixedController, most_dn: int,
    calibrated: Calibrated,
) -> tuple[Group, list[Covered]]:
    """Return frames of the simulated loop, from the pixels on."""
    count, frames = len(chosen), len(run)
    given = inputs_of(run, chosen)
    before = states_before(run, chosen, controller)
    after = _states((frame.after for frame in run), chosen)
    pixels = _flat((frame.pixels_dn for frame in run), chosen)
    spots = SpotWords._make(_flat(p, chosen) for p in zip(*(f.spots for f in run), strict=True))
    origin = _flat((frame.origin for frame in run), chosen)
    first = np.repeat(np.arange(frames) == 0, count)
    group = {
        "frame": _u32(np.repeat(np.arange(frames), count), "frame of the run, from 0"),
        "mirror": _u16(np.tile(chosen, frames), "column of the fleet: which coefficients"),
        "reset": _u8(first, "1: takes over from `standing` before this row"),
        "standing": _i32(np.zeros((count * frames, 2)), "standing correction, (x, y)"),
        "pixels": _u16(pixels, "window as read, rows then columns [DN]"),
        "origin": _i32(origin, "first pixel of the window, (x, y) [px]"),
    } | _spot_arrays(spots) | _law_arrays(given, after)
    mirror = np.tile(chosen, frames)
    if calibrated.pixels is not None:
        corner = origin + calibrated.home_px[mirror]
        level, gain = map_words(
            calibrated.pixels, mirror, corner, calibrated, (pixels.shape[1], pixels.shape[2])
        )
        group |= _map_arrays(calibrated, level, gain)
    if calibrated.guard is not None:
        every = np.stack([frame.expected for frame in run])
        near = np.concatenate(
            [chosen[:, None], calibrated.guard.neighbours[chosen]], axis=1
        )
        found = np.where((near >= 0)[None, :, :, None], every[:, near], 0)
        group["near"] = _i32(found.reshape(frames * count, 9, 2), NEAR)
    moved = np.abs(np.diff(given.reference.reshape(frames, count, 2), axis=0)).max(axis=2) > 0
    lines = [
        *spot_lines(spots.status, pixels, most_dn, "loop"),
        *law_lines(before, given, after, first, "loop"),
        Covered("loop: a move under way", int(moved.sum()), "the reference has changed"),
    ]
    return group, lines


def calibrated_groups(
    found: Calibrated, window_px: tuple[int, int]
) -> tuple[dict[str, Group], list[Covered]]:
    """Return the groups of what a calibration adds, those that there are."""
    groups: dict[str, Group] = {}
    lines: list[Covered] = []
    if found.pixels is not None:
        pixels, more = pixel_rows(found.pixels, found, window_px)
        groups["pixels"] = {
            "mirror": _u16(pixels.mirror, "column of the fleet: which sensor"),
            "origin": _i32(pixels.origin, "first pixel of the window, (x, y) [px]"),
            "rows": _u16(pixels.rows, "rows that arrive before the window ends"),
            "raw": _u16(pixels.raw_dn, "window as read, rows then columns [DN]"),
            "corrected": _u16(pixels.corrected_dn, "as the estimator gets it [DN]"),
        } | _map_arrays(found, pixels.level, pixels.gain)
        lines += more
    if found.lens is not None:
        lens, more = lens_rows(found.lens)
        groups["lens"] = {
            "mirror": _u16(lens.mirror, "column of the fleet: which home and sensor"),
            "place": _i32(lens.place, "against the spot of the untilted mirror, (x, y)"),
            "straight": _i32(lens.straight, "the same in a perfect picture; 0 if there is none"),
            "there": _u8(lens.there, "whether there is one"),
        }
        lines += more
    if found.guard is not None:
        guard, more = guard_rows(found.guard)
        groups["guard"] = {
            "mirror": _u16(guard.mirror, "column of the fleet"),
            "origin": _i32(guard.origin, "first pixel of the window, (x, y) [px]"),
            "near": _i32(guard.near, NEAR),
            "place": _i32(guard.place, "where the spot is read, (x, y)"),
            "light": _i64(guard.light, "of the reading"),
            "doubted": _u8(guard.doubted, "1: taken for another mirror's"),
        }
        lines += more
    return groups, lines


def _map_arrays(found: Calibrated, level: Any, gain: Any) -> Group:
    """Return what the maps say of each pixel; nothing without maps of level and gain."""
    if found.pixels is None or found.pixels.level is None:
        return {}
    return {
        "level": _u16(level, "black and dark level of each pixel"),
        "gain": _u16(gain, "one over the response of each pixel"),
    }


def _spot_arrays(found: SpotWords) -> Group:
    """Return what every row of a window has."""
    where = "position from the window's middle, (x, y); 0 where the status is not 0"
    return {
        "spot": _i32(found.position, where),
        "light": _i64(found.light, "decides on DIM"),
        "status": _u8(found.status, "0 OK, 1 DIM, 2 EDGE, 3 FAILED, 5 WRONG_SPOT"),
    }


def _law_arrays(given: FixedInput, after: FixedState) -> Group:
    """Return what every row of the law has."""
    position = "against the spot of an untilted mirror, (x, y)"
    return {
        "position": _i32(given.position, f"{position}; 0 where lost"),
        "seen": _u8(given.seen[:, 0], "1 where there is a position"),
        "reference": _i32(given.reference, f"expected, {position}"),
        "lowest": _i32(given.lowest, "least correction that the drive can carry out"),
        "highest": _i32(given.highest, "largest"),
        "states": _i32(after.states, "of the law after the frame, x then y"),
        "memory": _i64(after.filters, "of the filter sections after the frame, x then y"),
        "known": _u8(after.known, "whether this frame had a mismatch"),
        "cuts": _u32(after.saturated, "words cut off since the law took over"),
        "correction": _i32(after.correction, "granted, (x, y)"),
    }


def spots_group(
    built: Built, estimator: FixedEstimator, most_dn: int
) -> tuple[Group, list[str], list[Covered]]:
    """Return windows by themselves, and what they are there for by number."""
    windows = windows_of(built.resolved.camera, estimator)
    words = estimator.words
    lines: list[Covered] = []
    inner: list[InnerCorner] = []
    if isinstance(words, ThresholdedCentroidWords):
        full_dn = 2**built.resolved.camera.bits - 1
        ties = tie_windows(words, full_dn)
        windows += [Window("quotient at a tie", pixels) for _, _, pixels in ties]
    if not getattr(words, "proven", True):  # sums that are cut off row by row are read whole
        windows = [window for window in windows if window.rows is None]
    else:
        inner, made = _inside(built, estimator, windows)
        windows += made
    labels = list(dict.fromkeys(window.what for window in windows))
    pixels = np.stack([window.pixels_dn for window in windows])
    height = pixels.shape[1]
    rows = np.array([height if w.rows is None else w.rows for w in windows], np.int64)
    with noting() as notes:
        found = estimator.read(pixels)
    lines += inner_lines(inner, notes, (found.status == SpotStatus.OK) & (rows == height))
    ends = np.flatnonzero(rows < height)
    early = read_partial(pixels[ends], rows[ends], words)
    found.position[ends], found.light[ends], found.status[ends] = early
    label = np.array([labels.index(window.what) for window in windows])
    lines += spot_lines(found.status, pixels, most_dn, "spots")
    lines += [
        Covered(f"spots: {what}", int((label == i).sum()), "made for it")
        for i, what in enumerate(labels)
    ]
    lines += _quotient_lines(words, pixels, found.status)
    group = {
        "label": _u8(label, "what the window is there for: number in `labels` of the index"),
        "pixels": _u16(pixels, "window, rows then columns [DN]"),
        "rows": _u16(rows, "rows that arrive before the window ends"),
    } | _spot_arrays(found)
    return group, labels, lines


def _inside(
    built: Built, estimator: FixedEstimator, windows: list[Window]
) -> tuple[list[InnerCorner], list[Window]]:
    """Return the corners of roundings inside an estimator, and windows that come to them."""
    whole = np.stack([window.pixels_dn for window in windows if window.rows is None])
    used = whole[estimator.read(whole).status == SpotStatus.OK]
    if not len(used):
        return [], []
    full_dn = 2**built.resolved.camera.bits - 1
    corners = inner_corners(estimator.read, estimator.words, used, full_dn)
    apart = {c.window.tobytes(): c.window for c in corners if c.window is not None}
    return corners, [Window("inner rounding", window) for window in apart.values()]


def _quotient_lines(words: Any, pixels: NDArray[np.int32], status: NDArray[Any]) -> list[Covered]:
    if not isinstance(words, ThresholdedCentroidWords):
        return []  # inside the estimator's steps: the group `quotients` has them by themselves
    light, moments = sums_of(pixels, words)
    used = (status == SpotStatus.OK) & (light > 0)
    shift = words.verdict.position.fraction - 1
    lines = []
    for part in (0, 1):
        side = sides_of(moments[:, part], np.where(light > 0, light, 1), shift, words.divider)
        for wanted, name in ((-1, "below"), (0, "on a tie"), (1, "above")):
            rows = int((used & (side == wanted)).sum())
            note = "quotient of moment and light" if rows else "no window comes to it"
            lines.append(Covered(f"position, {'xy'[part]}: {name}", rows, note))
    return lines


def quotients_group(words: Any, word_bits: int) -> tuple[Group, list[Covered]]:
    """Return the estimator's quotients by themselves, at corners of rounding."""
    shifts = quotient_shifts(words)
    rows: Quotients = corner_quotients(words.divider, shifts, word_bits)
    group = {
        "numerator": _i64(rows.numerator, "of any sign"),
        "denominator": _i64(rows.denominator, "above zero"),
        "shift": _u8(rows.shift, "bits behind the point of the quotient"),
        "quotient": _i64(rows.quotient, "rounded as settings.h says"),
    }
    lines = []
    for shift in shifts:
        own = rows.shift == shift
        n, d = rows.numerator[own], rows.denominator[own]
        side = sides_of(n, d, shift, words.divider)
        for wanted, name in ((-1, "below"), (0, "on a tie"), (1, "above")):
            for sign, numbers in (("positive", n > 0), ("negative", n < 0)):
                count = int(((side == wanted) & numbers).sum())
                behind = f"{counted(shift, 'bit')} behind the point"
                note = behind if count else "no quotient comes to it"
                lines.append(Covered(f"quotient, {sign}: {name}", count, note))
    return group, lines


def law_group(rows: LawRows) -> Group:
    """Return steps of the law by themselves, each from a state that is given."""
    before = {
        "before_states": _i32(rows.before.states, "of the law before the step; unused at a reset"),
        "before_memory": _i64(rows.before.filters, "of the sections before it"),
        "before_known": _u8(rows.before.known, "whether the frame before had a mismatch"),
        "before_correction": _i32(rows.before.correction, "granted before it"),
    }
    arrays = _law_arrays(rows.given, rows.after)
    cuts = rows.after.saturated - rows.before.saturated
    return {
        "mirror": _u16(rows.mirror, "column of the fleet: which coefficients"),
        "reset": _u8(rows.reset, "1: takes over from `standing` before the step"),
        "standing": _i32(rows.standing, "standing correction, (x, y)"),
        **before,
        **arrays,
        "cuts": _u32(cuts, "words cut off in this step"),
    }


def drive_group(
    words: CodeWords, ticks: list[DriveTick], chosen: NDArray[np.int64]
) -> tuple[Group, list[Covered]]:
    """Return codes of the run, then those at corners."""
    path = _flat((tick.path for tick in ticks), chosen)
    correction = _flat((tick.correction for tick in ticks), chosen)
    sent = rows_with_codes(words, np.tile(chosen, len(ticks)), path, correction)
    corners = corner_rows(words, chosen[:MOST_MIRRORS])
    rows = CodeRows._make(np.concatenate(each) for each in zip(sent, corners, strict=True))
    group = {
        "mirror": _u16(rows.mirror, "column of the fleet: which calibration"),
        "path": _i32(rows.path, "commanded path's word, the feed-forward, (x, y)"),
        "in_force": _i32(rows.correction, "correction in force, (x, y)"),
        "codes": _i32(rows.codes, "of the DAC, (x, y)"),
    }
    off = from_tie(words, rows)
    per = words.per_px[:, rows.mirror].T
    unit = np.where(words.square, 1, np.minimum(per & -per, 1 << (words.shift - 1)))
    limit = (rows.codes == words.lowest) | (rows.codes == words.highest)
    lines = [
        Covered("drive: codes of the run", len(sent.mirror), ""),
        Covered("drive: at the lowest or highest code", int(limit.any(axis=1).sum()), ""),
    ]
    sides = ((-1, "just below a change"), (1, "just above a change")) if words.square else (
        (-1, "below a tie"), (0, "on a tie"), (1, "above a tie")
    )  # fmt: skip
    for side, name in sides:
        count = int((off == side * unit).any(axis=1).sum())
        lines.append(Covered(f"drive: {name}", count, "" if count else "no tilt comes to it"))
    return group, lines


def _typed(values: Any, kind: type, what: str) -> VectorArray:
    array = np.asarray(values)
    found: NDArray[Any] = array.astype(kind)
    if not (found == array).all():
        raise ValueError(f"{what}: a word does not fit {np.dtype(kind).name}")
    return VectorArray(found, what)


def _u8(values: Any, what: str) -> VectorArray:
    return _typed(values, np.uint8, what)


def _u16(values: Any, what: str) -> VectorArray:
    return _typed(values, np.uint16, what)


def _u32(values: Any, what: str) -> VectorArray:
    return _typed(values, np.uint32, what)


def _i32(values: Any, what: str) -> VectorArray:
    return _typed(values, np.int32, what)


def _i64(values: Any, what: str) -> VectorArray:
    return _typed(values, np.int64, what)
