"""What a calibration adds to the firmware, by itself: windows, places and readings at corners."""

from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.camera.pixel_correction import on_maps
from sim.firmware.calibrated.guard import GuardWords, doubted_words
from sim.firmware.calibrated.lens import PART_BITS, LensWords, straightened
from sim.firmware.calibrated.pixels import FixedPixelCorrection, PixelWords
from sim.firmware.calibrated.source import Calibrated
from sim.firmware.rounding import Whole
from sim.foundations.rng import uniforms
from sim.studies.firmware.coverage import Covered

KEY: Final = (2026, 1131)
BAD_PIXELS: Final = 4
"""Of each sensor, that windows are laid over."""
PLACES: Final = 400
"""Of each mirror, drawn at random."""
TRIES: Final = 400_000
MIRRORS: Final = 4


class PixelRows(NamedTuple):
    """Windows that are corrected; N rows."""

    mirror: NDArray[np.int64]
    origin: Whole
    """(N, 2) [px]"""
    rows: NDArray[np.int64]
    """(N,) that arrive."""
    raw_dn: NDArray[np.int64]
    """(N, H, W)"""
    level: Whole
    """(N, H, W)"""
    gain: Whole
    """(N, H, W)"""
    corrected_dn: NDArray[np.int64]
    """(N, H, W); 0 in rows that did not arrive."""


class LensRows(NamedTuple):
    """Places that are straightened; N rows."""

    mirror: NDArray[np.int64]
    place: Whole
    straight: Whole
    there: NDArray[np.bool_]


class GuardRows(NamedTuple):
    """Readings that are judged; N rows."""

    mirror: NDArray[np.int64]
    origin: Whole
    near: Whole
    """(N, 9, 2) where the own spot and the neighbours' are expected."""
    place: Whole
    light: Whole
    doubted: NDArray[np.bool_]


def map_words(
    words: PixelWords, mirror: NDArray[np.int64], corner_px: Whole, found: Calibrated,
    window_px: tuple[int, int],
) -> tuple[Whole, Whole]:  # fmt: skip
    """Return levels and gains (N, H, W) of windows; zeros without maps of them."""
    if words.level is None or words.gain is None:
        none = np.zeros((len(mirror), *window_px), np.int64)
        return none, none
    at = _places(words, found.sensor[mirror], corner_px, window_px)
    return words.level[at].astype(np.int64), words.gain[at].astype(np.int64)


def _places(
    words: PixelWords, sensor: NDArray[np.int64], corner_px: Whole, window_px: tuple[int, int]
) -> tuple[NDArray[np.int64], ...]:
    return on_maps(words.maps, sensor, corner_px.astype(float), window_px)


def pixel_rows(
    words: PixelWords, found: Calibrated, window_px: tuple[int, int]
) -> tuple[PixelRows, list[Covered]]:
    """Return windows over bad pixels, beyond the sensor's edges, cut short, and at ties."""
    height, width = window_px
    _, rows, columns = words.bad.shape
    corners: list[tuple[int, int, int, int]] = []  # sensor, x, y, rows that arrive
    for sensor in np.unique(found.sensor).tolist():
        for x, y in _some(words.bad_px[sensor], columns, rows):
            for column in (0, width // 2, width - 1):
                for row in (0, height // 2, height - 1):
                    corners.append((sensor, int(x) - column, int(y) - row, height))
            for more in (0, 1, 2):
                corners.append((sensor, int(x), int(y) - height // 2, height // 2 + more))
        for x in (-width // 2, columns - width // 2):
            for y in (-height // 2, rows - height // 2):
                corners.append((sensor, x, y, height))
        corners += [(sensor, columns // 2, rows // 2, few) for few in (0, 1, 2, height)]
    table = np.array(corners)
    of_sensor = {int(s): int((found.sensor == s).argmax()) for s in np.unique(found.sensor)}
    mirror = np.array([of_sensor[s] for s in table[:, 0].tolist()])
    corner = table[:, 1:3]
    full = words.full_scale_dn
    pixel = np.arange(height * width).reshape(1, height, width)
    drawn = uniforms(KEY, np.arange(len(table))[:, None, None], pixel)[..., 0]
    raw = (drawn * (full + 1)).astype(np.int64)
    level, gain = map_words(words, mirror, corner, found, window_px)
    lines = [
        Covered("pixels: windows over bad pixels and edges", len(table), "made for it"),
        Covered("pixels: rows missing", int((table[:, 3] < height).sum()), "made for it"),
    ]
    arrived = table[:, 3]
    if words.level is not None:
        tied = _tied(words, window_px)
        quiet = np.repeat(_good_corner(words, window_px)[None], len(tied), axis=0)
        raw = np.concatenate([raw, [each[0] for each in tied]])
        level = np.concatenate([level, [each[1] for each in tied]])
        gain = np.concatenate([gain, [each[2] for each in tied]])
        mirror = np.concatenate([mirror, np.full(len(tied), of_sensor[int(found.sensor[0])])])
        corner = np.concatenate([corner, quiet])
        arrived = np.concatenate([arrived, np.full(len(tied), height)])
        lines += [
            Covered(f"pixel, {side} a tie", height * width, f"{by:+d} of 2^{words.shift}")
            for side, by in (("below", -1), ("on", 0), ("above", 1))
        ]
    corrected = np.zeros_like(raw)
    for i, sensor in enumerate(found.sensor[mirror].tolist()):
        one = FixedPixelCorrection(words.maps, np.array([sensor]), words)
        own = slice(0, int(arrived[i]))
        if arrived[i]:
            corrected[i, own] = one.corrected_with(
                raw[i, own], level[i, own], gain[i, own], corner[i].astype(float)
            )
    origin = corner - found.home_px[mirror]
    return PixelRows(mirror, origin, arrived, raw, level, gain, corrected), lines


def _some(bad: NDArray[np.int64], columns: int, rows: int) -> NDArray[np.int64]:
    """Return some bad pixels of a sensor, spread over it, and some on its edge."""
    if not len(bad):
        return bad
    spread = np.linspace(0, len(bad) - 1, BAD_PIXELS).round().astype(int)
    on_edge = ((bad == 0) | (bad == [columns - 1, rows - 1])).any(axis=1)
    return bad[np.unique([*spread, *np.flatnonzero(on_edge)[:BAD_PIXELS]])]


def _good_corner(words: PixelWords, window_px: tuple[int, int]) -> Whole:
    """Return the corner (x, y) of a window of the first sensor without bad pixels."""
    height, width = window_px
    sums = np.cumsum(np.cumsum(np.pad(words.bad[0].astype(int), ((1, 0), (1, 0))), 0), 1)
    inside = (
        sums[height:, width:] - sums[:-height, width:] - sums[height:, :-width]
        + sums[:-height, :-width]
    )  # fmt: skip
    y, x = np.unravel_index(int(inside.argmin()), inside.shape)
    return np.array([x, y], np.int64)


def _tied(words: PixelWords, window_px: tuple[int, int]) -> list[tuple[Whole, Whole, Whole]]:
    """Return (pixels, levels, gains) of windows whose every pixel is just below, on, above a tie.

    An odd number has an inverse among the numbers of so many bits: from it follows the gain.
    """
    assert words.level is not None and words.gain is not None
    size, modulus = window_px[0] * window_px[1], np.int64(1) << np.int64(words.shift)
    draws = uniforms(KEY, np.arange(TRIES), 1)
    pixel = (draws[:, 0] * (words.full_scale_dn + 1)).astype(np.int64)
    level = (draws[:, 1] * (int(words.level.max()) // 2)).astype(np.int64) * 2 + 1
    left = (pixel << np.int64(words.level_fraction)) - level
    inverse: Whole = left.copy()
    for _ in range(5):  # each step doubles the bits that are right, from three
        inverse = np.mod(inverse * np.mod(2 - left * inverse, modulus), modulus)
    found = []
    for by in (-1, 0, 1):
        wanted = ((modulus >> np.int64(1)) - words.black + by) % modulus
        gain = (wanted * inverse) % modulus
        total = left * gain + words.black
        fit = (gain <= int(words.gain.max())) & (level <= int(words.level.max()))
        fit &= (total > 0) & (total < words.full_scale_dn * modulus)
        chosen = np.flatnonzero(fit)
        own = np.resize(chosen, size) if len(chosen) else np.zeros(size, int)
        found.append(tuple(each[own].reshape(window_px) for each in (pixel, level, gain)))
    return found  # type: ignore[return-value]


def lens_rows(words: LensWords) -> tuple[LensRows, list[Covered]]:
    """Return places at random, beside entries of the table, and on both sides of its end."""
    mirrors = len(words.home)
    chosen = np.unique(np.linspace(0, mirrors - 1, MIRRORS).round().astype(np.int64))
    mirror, place = [], []
    for number, m in enumerate(chosen.tolist()):
        draws = uniforms(KEY, np.arange(PLACES), 2, number)
        reach = 64 << words.fraction
        random = (2 * reach * draws).astype(np.int64) - reach
        edges = _beside_entries(words, m, number)
        places = np.concatenate([random, edges, _beside_ties(words, m, number)])
        place.append(places)
        mirror.append(np.full(len(places), m))
    own, places = np.concatenate(mirror), np.concatenate(place)
    straight, there = straightened(words, places, own)
    lines = [
        Covered("lens: places", int(there.sum()), ""),
        Covered("lens: beyond what it draws", int((~there).sum()), "just beyond the last entry"),
        *_way_lines(words, places, own, there),
    ]
    return LensRows(own, places, straight, there), lines


def _beside_entries(words: LensWords, mirror: int, number: int) -> Whole:
    """Return places (N, 2) whose square is just below and just above an entry of the table."""
    limit = int(words.limit[words.sensor[mirror]]) + 1
    entries = (limit >> words.shift) - np.arange(min(40, limit >> words.shift))
    share = uniforms(KEY, np.arange(len(entries)), 3, number)[:, 0]
    squared: Whole = entries.astype(np.int64) << np.int64(words.shift)
    x = np.floor(np.sqrt(squared.astype(float)) * share).astype(np.int64)
    y = np.floor(np.sqrt((squared - x**2).astype(float))).astype(np.int64)
    y -= (x**2 + y**2 >= squared).astype(np.int64)
    below, above = np.stack([x, y], -1), np.stack([x, y + 1], -1)
    beside: Whole = np.concatenate([below, above]) - words.home[mirror]
    return beside


def _beside_ties(words: LensWords, mirror: int, number: int) -> Whole:
    """Return places (N, 2) nearest to a tie between two entries, of many tries."""
    reach = 64 << words.fraction
    draws = uniforms(KEY, np.arange(TRIES), 4, number)
    tried = (2 * reach * draws).astype(np.int64) - reach
    off, half = _from_tie(words, tried, np.full(TRIES, mirror))
    sides = (off < 0, off == 0, off > 0)
    near = [np.abs(np.where(side, off, half)).argsort()[:4] for side in sides]
    return tried[np.concatenate(near)]


def _way_lines(
    words: LensWords, places: Whole, mirror: NDArray[np.int64], there: NDArray[np.bool_]
) -> list[Covered]:
    """Return the lines of the rounding between two entries."""
    off, half = _from_tie(words, places[there], mirror[there])
    lines = []
    for side, wanted in (("below", off < 0), ("on", off == 0), ("above", off > 0)):
        nearest = int(np.abs(off[wanted]).min()) if wanted.any() else 0
        note = f"between two entries; nearest {nearest} of 2^{int(half).bit_length()} away"
        if not wanted.any():
            note = f"not reached in {TRIES} tries a mirror; nearest {int(np.abs(off).min())} away"
        lines.append(Covered(f"lens, {side} a tie", int(wanted.sum()), note))
    return lines


def _from_tie(
    words: LensWords, places: Whole, mirror: NDArray[np.int64]
) -> tuple[Whole, np.int64]:
    """Return how far places that there are lie from a tie between two entries, and half a unit."""
    sensor = words.sensor[mirror]
    squared = ((places + words.home[mirror]) ** 2).sum(axis=1)
    part = min(PART_BITS, words.shift)
    index = np.minimum(squared >> np.int64(words.shift), words.ratio.shape[1] - 2)
    way = (squared - (index << np.int64(words.shift))) >> np.int64(words.shift - part)
    rise = words.ratio[sensor, index + 1] - words.ratio[sensor, index]
    half = np.int64(1) << np.int64(part - 1)
    return (rise * way) % (2 * half) - half, half


def guard_rows(words: GuardWords) -> tuple[GuardRows, list[Covered]]:
    """Return readings on both sides of each of the guard's rules."""
    fleet = len(words.neighbours)
    chosen = np.unique(np.linspace(0, fleet - 1, MIRRORS).round().astype(np.int64)).tolist()
    rows: list[tuple[Any, ...]] = []
    lines: dict[str, int] = {}
    for m in chosen:
        for what, *row in _readings(words, m):
            rows.append((m, *row))
            lines[what] = lines.get(what, 0) + 1
    columns = zip(*rows, strict=True)
    mirror, origin, near, place, light = (np.array(part, np.int64) for part in columns)
    doubted = doubted_words(words, mirror, origin, place, light, near[:, 0], near[:, 1:])
    covered = [Covered(f"guard: {what}", count, "made for it") for what, count in lines.items()]
    covered += [
        Covered("guard: doubted", int(doubted.sum()), ""),
        Covered("guard: not doubted", int((~doubted).sum()), ""),
    ]
    return GuardRows(mirror, origin, near, place, light, doubted), covered


def _readings(words: GuardWords, m: int) -> list[tuple[Any, ...]]:
    """Return (what, origin, near, place, light) of the readings of a mirror."""
    unit, (height, width) = 1 << words.fraction, words.window_px
    own = np.array([3 * unit + 1, -2 * unit + 5])
    origin = np.array([3 - width // 2, -2 - height // 2])
    least = 0 if words.most_light is None else int(words.most_light[m])
    still = np.tile(own, (9, 1))
    found: list[tuple[Any, ...]] = []
    for k, n in enumerate(words.neighbours[m].tolist()):
        if n < 0:
            continue
        between = (words.home[n] - words.home[m]) << words.fraction
        step = np.sign(between)
        for by in (-1, 0, 1):
            found.append(
                ("between its own spot and a neighbour's", origin, still,
                 own + between // 2 + by * step, least)
            )  # fmt: skip
        if words.margin is not None:
            first, last = origin * unit, (origin + np.array([width - 1, height - 1])) * unit
            for part in (0, 1):
                for edge in (first - words.margin, last + words.margin):
                    for by in (-1, 0, 1):
                        near = still.copy()
                        theirs = own.copy()
                        theirs[part] = edge[part] + by
                        near[1 + k] = theirs - between
                        found.append(("a neighbour at the margin", origin, near, own, least))
    if words.most_light is not None:
        for by in (0, 1):
            found.append(("at the most light", origin, still, own, least + by))
    found.append(("its own spot", origin, still, own, 0))
    return found
