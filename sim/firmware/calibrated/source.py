"""What a calibration adds to the firmware, as C99: files, numbers of settings.h, tables."""

import hashlib
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.firmware.calibrated.guard import GuardWords
from sim.firmware.calibrated.lens import (
    GUARD_BITS,
    PART_BITS,
    RATIO_FRACTION,
    TURN_FRACTION,
    LensWords,
)
from sim.firmware.calibrated.pixels import PixelWords
from sim.firmware.law_source import braces

LONGEST_SUM_BITS: Final = 62
"""Of a square or a sum in the C, sign included; the model leaves two more of 64 to round with."""

MAPS = "maps.bin"
"""Level and gain of every pixel of all sensors, two little-endian words of 16 bits each."""


class Calibrated(NamedTuple):
    """What a firmware goes by beside estimator and law; None: it has no such part."""

    home_px: NDArray[np.int64]
    """(M, 2) spot of each untilted mirror on its sensor. [px]"""
    sensor: NDArray[np.int64]
    """(M,) that sees it."""
    pixels: PixelWords | None = None
    lens: LensWords | None = None
    guard: GuardWords | None = None


class PartSource(NamedTuple):
    """The C source of one part."""

    macros: dict[str, Any]
    files: tuple[str, ...]
    tables: dict[str, str]
    table_bytes: int
    """On the processor."""


class CalibratedSource(NamedTuple):
    """The C source of all parts; None: there is no such part."""

    pixels: PartSource | None
    lens: PartSource | None
    guard: PartSource | None
    homes: dict[str, str]
    maps: bytes
    """Of `MAPS`; empty without maps of level and gain."""

    @property
    def parts(self) -> tuple[PartSource, ...]:
        """Those that there are."""
        return tuple(part for part in (self.pixels, self.lens, self.guard) if part is not None)

    @property
    def files(self) -> tuple[str, ...]:
        """Names of files that are the same for every scenario."""
        return tuple(name for part in self.parts for name in part.files)

    @property
    def tables(self) -> dict[str, str]:
        """Name of a header -> text."""
        found = dict(self.homes) if self.parts else {}
        for part in self.parts:
            found |= part.tables
        return found

    @property
    def sums(self) -> dict[str, str | None]:
        """Of the words of each part, by its name."""
        extra = {"pixels": hashlib.sha256(self.maps).hexdigest()}
        return {
            name: part and hashlib.sha256(
                repr((self.homes, part, extra.get(name))).encode()
            ).hexdigest()
            for name, part in (("pixels", self.pixels), ("lens", self.lens), ("guard", self.guard))
        }  # fmt: skip

    @property
    def sum(self) -> str:
        """Of all words that it computes with; empty if there are none."""
        return repr(self.sums) if self.parts else ""


def calibrated_source(found: Calibrated, position_end: int = 0) -> CalibratedSource:
    """Return the C source of what a calibration adds.

    Parameters
    ----------
    found : Calibrated
        Its words.
    position_end : int
        Word that positions do not pass, either way; 0 if the source is not to be run.

    Raises
    ------
    ValueError
        If a word does not fit the type that the C has for it, or a sum or a square does not fit
        `LONGEST_SUM_BITS`.
    """
    pixels = None if found.pixels is None else _pixels(found.pixels)
    lens = None if found.lens is None else _lens(found.lens, position_end)
    guard = None if found.guard is None else _guard(found.guard, position_end)
    text = _array("int16_t", "home_px", found.home_px, "MIRRORS")
    text += _array("uint8_t", "home_sensor", found.sensor, "MIRRORS")
    what = "Where the spot of each untilted mirror is on its sensor, and which sensor that is"
    return CalibratedSource(
        pixels, lens, guard, {"homes.h": _header(what, text)}, _map_bytes(found.pixels)
    )


def _header(what: str, arrays: str) -> str:
    return f'/* {what}. */\n#include <stdint.h>\n\n#include "settings.h"\n\n{arrays}'


def _array(kind: str, name: str, values: NDArray[Any], *sizes: str) -> str:
    """Return an array in C; sizes by name as far as they are given.

    Raises
    ------
    ValueError
        If a number does not fit the type.
    """
    limits = np.iinfo(kind.removesuffix("_t"))
    if values.min() < limits.min or values.max() > limits.max:
        worst = values.max() if values.max() > limits.max else values.min()
        raise ValueError(
            f"{name}: the C has {kind} for it, {limits.min} to {limits.max} (got {worst})"
        )
    shape = [*sizes, *map(str, values.shape[len(sizes) :])]
    brackets = "".join(f"[{size}]" for size in shape)
    return f"static const {kind} {name}{brackets} = {braces(values)};\n"


def _refuse_long(what: str, largest: int, fraction: int) -> None:
    """Refuse a sum or a square that the C has no room for."""
    bits = largest.bit_length() + 1
    if bits > LONGEST_SUM_BITS:
        raise ValueError(
            f"controller.arithmetic.position_fraction: {what} takes {bits} bits, and the C has "
            f"{LONGEST_SUM_BITS} (got {fraction})"
        )


def _map_bytes(words: PixelWords | None) -> bytes:
    if words is None or words.level is None or words.gain is None:
        return b""
    return np.stack([words.level, words.gain], axis=-1).astype("<u2").tobytes()


def _pixels(words: PixelWords) -> PartSource:
    mapped = words.level is not None
    sensors, height, width = words.bad.shape
    bad = words.bad_px
    places = np.concatenate([*bad, np.zeros((1, 2), np.int64)])  # C99 has no arrays of no elements
    first = np.cumsum([0, *map(len, bad)])
    macros: dict[str, Any] = {
        "PIXEL_MAPS": int(mapped), "SENSORS": sensors, "SENSOR_HEIGHT": height,
        "SENSOR_WIDTH": width,
    }  # fmt: skip
    if mapped:
        macros |= {
            "PIXEL_LEVEL_FRACTION": words.level_fraction,
            "PIXEL_GAIN_FRACTION": words.gain_fraction,
            "PIXEL_BLACK": words.black, "PIXEL_BITS": words.product_bits,
            "PIXEL_FULL_SCALE": words.full_scale_dn,
        }  # fmt: skip
    text = _array("uint16_t", "bad_pixels", places)
    text += _array("int32_t", "bad_from", first)
    what = "Bad pixels (x, y) of each sensor, row by row; those of sensor s begin at bad_from[s]"
    size = 4 * len(places) + 4 * len(first)
    return PartSource(
        macros, ("pixels.h", "pixels.c"), {"bad_pixels.h": _header(what, text)}, size
    )


def _lens(words: LensWords, position_end: int) -> PartSource:
    square = words.largest_square(position_end)
    _refuse_long("the squared place of a spot from the optical axis", square, words.fraction)
    _refuse_long("the turned place of a spot", words.largest_sum, words.fraction)
    macros = {
        "LENS_RATIO_FRACTION": RATIO_FRACTION, "LENS_TURN_FRACTION": TURN_FRACTION,
        "LENS_GUARD_BITS": GUARD_BITS, "LENS_SHIFT": words.shift,
        "LENS_PART_BITS": min(PART_BITS, words.shift),
    }  # fmt: skip
    text = _array("int32_t", "lens_home", words.home, "MIRRORS")
    text += _array("int32_t", "lens_straight", words.straight, "MIRRORS")
    text += _array("int32_t", "lens_turn", words.turn)
    text += _array("int64_t", "lens_limit", words.limit)
    text += _array("int32_t", "lens_ratio", words.ratio)
    what = "Homes from the optical axis, rotation and scale, and straight radius over drawn radius"
    size = 4 * (words.home.size + words.straight.size + words.turn.size + words.ratio.size)
    return PartSource(
        macros, ("lens.h", "lens.c"), {"lens_tables.h": _header(what, text)},
        size + 8 * words.limit.size,
    )  # fmt: skip


def _guard(words: GuardWords, position_end: int) -> PartSource:
    square = words.largest_square(position_end)
    _refuse_long("the squared distance of neighbours' spots", square, words.fraction)
    macros: dict[str, Any] = {
        "GUARD_SHARED": int(words.margin is not None), "GUARD_MARGIN": words.margin or 0,
        "GUARD_LIGHT": int(words.most_light is not None),
    }  # fmt: skip
    text = _array("int16_t", "guard_beside", words.neighbours, "MIRRORS")
    size = 2 * words.neighbours.size
    if words.most_light is not None:
        text += _array("int64_t", "guard_most_light", words.most_light, "MIRRORS")
        size += 8 * words.most_light.size
    what = "Neighbours of each mirror, -1: none; and the light above which a reading is doubted"
    return PartSource(macros, ("guard.h", "guard.c"), {"guard_tables.h": _header(what, text)}, size)
