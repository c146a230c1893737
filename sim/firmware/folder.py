"""A folder of firmware, as `mirrorloop firmware` writes it and as a scenario names it: `c:DIR`."""

import json
from pathlib import Path
from typing import Final, Literal, NamedTuple

from pydantic import BaseModel, ConfigDict, ValidationError

from sim.foundations.errors import PlugInError
from sim.foundations.files.reading import read_text

INDEX: Final = "firmware.json"
SOURCES: Final = "sources"


class _Exact(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class EstimatorPort(_Exact):
    """What the loop must know of the estimator."""

    kind: str
    window_px: tuple[int, int]
    position_fraction: int
    light_fraction: int


class ControllerPort(_Exact):
    """What the loop must know of the law."""

    kind: str
    mirrors: tuple[int, ...]
    each_its_own: bool
    """Whether mirrors have coefficients of their own."""
    scale_px_per_mrad: float
    position_fraction: int
    correction_bits: int
    correction_fraction: int


class DrivePort(_Exact):
    """What the codes of the DAC are made with, to be held against the drive of a run."""

    lowest: int
    highest: int
    square: bool
    fraction: int
    """Bits behind the point of codes per pixel."""
    codes_per_px: tuple[tuple[int, int], ...]
    """Of each mirror along x and y, or squared codes, times 2^fraction."""


class CalibratedPort(_Exact):
    """Sums over the words of what stands beside estimator and law; none: no such part."""

    pixels: str | None
    maps: bool
    """Whether levels and gains of pixels are in maps.bin."""
    lens: str | None
    guard: str | None


class Index(_Exact):
    """The file `firmware.json`."""

    format: Literal[3]
    title: str
    settings_sum: str
    includes: tuple[str, ...]
    sources: tuple[str, ...]
    estimator: EstimatorPort
    controller: ControllerPort
    drive: DrivePort
    calibrated: CalibratedPort


class Folder(NamedTuple):
    """A folder of firmware; finding it has run none of its code."""

    path: Path
    port: Index


def read_folder(path: Path) -> Folder:
    """Return a folder of firmware.

    Raises
    ------
    PlugInError
        If it is none, or sources that it names are missing.
    """
    place = path / INDEX
    if not place.is_file():
        raise PlugInError(
            f"{path}: is no folder of firmware: it has no {INDEX}; `mirrorloop firmware` writes it "
            "(but not with --arithmetic single: a run takes words alone)"
        )
    try:
        index = Index.model_validate(json.loads(read_text(place, fault=PlugInError)))
    except ValidationError as exc:
        first = exc.errors()[0]
        key = ".".join(str(part) for part in first["loc"])
        raise PlugInError(f"{place}: {key}: {first['msg']} (got {first['input']!r})") from exc
    except (ValueError, RecursionError) as exc:
        raise PlugInError(f"{place}: is not valid JSON: {exc}") from exc
    for name in (*index.includes, *index.sources):
        inside = (path / name).resolve()
        if not inside.is_relative_to(path.resolve()):
            raise PlugInError(f'{place}: "{name}" is not in its folder')
        if not inside.exists():
            raise PlugInError(f'{place}: names "{name}", and there is no such file')
    return Folder(path, index)
