"""Recorded frames: PNG, TIFF or NPY, with or without the truth beside them."""

import csv
import io
import re
from collections.abc import Iterable
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sim.foundations.errors import ProfileError
from sim.foundations.files.arrays import read_npy
from sim.foundations.files.reading import is_there, read_text
from sim.foundations.ports import Array
from sim.studies.estimators.image_files import LEAST_SIDE_PX, MOST_SIDE_PX, read_image

SUFFIXES = (".npy", ".png", ".tif", ".tiff")
TRUTH_COLUMNS = ("x_px", "y_px")


def load_frames(path: Path, full_scale_dn: int) -> NDArray[np.int32]:
    """Read recorded windows, one spot each.

    Nothing is altered: no scaling, no cropping, no conversion from colour.

    Parameters
    ----------
    path : Path
        A .npy stack (M, H, W) or single frame (H, W) of whole numbers; a PNG; a TIFF of one page
        or many; or a folder of such files, read in the order of the numbers in
        their names (2 before 10).
    full_scale_dn : int
        Largest value that the camera can give. [DN]

    Returns
    -------
    (M, H, W) ndarray of int32
        Digital numbers. [DN]

    Raises
    ------
    ProfileError
        If the path is not there, holds no frames, or the frames are not of one size, grey, whole
        numbers, and within the camera's range.
    """
    if path.is_dir():
        files = in_order(f for f in path.iterdir() if f.suffix.lower() in SUFFIXES)
        if not files:
            raise ProfileError(f"{path}: holds no frames ({', '.join(SUFFIXES)})")
    elif is_there(path):
        files = [path]
    else:
        raise ProfileError(f"{path}: no such file or folder of frames")
    stacks = [_read(file, full_scale_dn) for file in files]
    shape, depth = stacks[0].shape[1:], stacks[0].dtype
    for file, stack in zip(files, stacks, strict=True):
        if stack.dtype != depth:
            raise ProfileError(
                f"{file}: all frames must have one depth; {files[0].name} has {depth}, this one "
                f"{stack.dtype}"
            )
        if stack.shape[1:] != shape:
            raise ProfileError(
                f"{file}: all frames must have one size; the first has {_size(shape)}, "
                f"this one {_size(stack.shape[1:])}"
            )
    return np.concatenate(stacks).astype(np.int32)


def in_order(files: Iterable[Path]) -> list[Path]:
    """Return files by name, whole numbers in the names counted as numbers: 2 before 10."""

    def key(file: Path) -> list[tuple[bool, int, str]]:
        parts = re.split(r"(\d+)", file.name)
        return [(p.isdigit(), int(p) if p.isdigit() else 0, p) for p in parts]

    return sorted(files, key=key)


def order_warning(path: Path) -> str | None:
    """Return what to say where a folder's numeric order is not that of the alphabet."""
    if not path.is_dir():
        return None
    files = in_order(f for f in path.iterdir() if f.suffix.lower() in SUFFIXES)
    if files == sorted(files):
        return None
    first = next(a for a, b in zip(files, sorted(files), strict=True) if a != b)
    return (
        f"frames are read, and paired with the truth, in the order of the numbers in their names; "
        f"that of the alphabet differs, from {first.name} on"
    )


def load_truth(path: Path, n_frames: int, window_px: tuple[int, int]) -> Array:
    """Read true positions.

    Parameters
    ----------
    path : Path
        CSV whose first row names the columns; `x_px` and `y_px` are used: window pixels, from the
        centre of the first pixel. One row a frame, in order.
    n_frames : int
        Rows that there must be.
    window_px : (int, int)
        Height and width of the frames, within which the spots must lie. [px]

    Returns
    -------
    (M, 2) ndarray
        Positions. [px]

    Raises
    ------
    ProfileError
        If the file cannot be read, a column is missing, a value is no finite number, or the
        number of rows is not that of the frames, or a position is outside the window.
    """
    text = read_text(path, fault=ProfileError)
    try:
        rows = list(csv.DictReader(io.StringIO(text, newline="")))
    except csv.Error as exc:
        raise ProfileError(f"{path}: truth is no table in CSV") from exc
    if not rows:
        raise ProfileError(f"{path}: truth holds no rows below its header")
    for column in TRUTH_COLUMNS:
        if column not in rows[0]:
            raise ProfileError(f"{path}: truth must have columns x_px and y_px, no {column} found")
    if len(rows) != n_frames:
        raise ProfileError(
            f"{path}: truth must have one row a frame, {n_frames} (got {len(rows)})"
        )
    truth = np.empty((n_frames, 2))
    for i, row in enumerate(rows):
        for axis, column in enumerate(TRUTH_COLUMNS):
            try:
                truth[i, axis] = float(row[column])
            except (TypeError, ValueError):
                truth[i, axis] = np.nan
            if not np.isfinite(truth[i, axis]):
                raise ProfileError(
                    f"{path}: row {i + 2}: {column} must be a finite number "
                    f"(got {_shown(row[column])})"
                )
            side = window_px[1 - axis]
            if not -0.5 <= truth[i, axis] <= side - 0.5:
                raise ProfileError(
                    f"{path}: row {i + 2}: {column} must lie within the window, -0.5 to "
                    f"{side - 0.5:g} px from the centre of its first pixel (got {truth[i, axis]:g})"
                )
    return truth


def _read(path: Path, full_scale_dn: int) -> NDArray[np.int32]:
    if path.suffix.lower() == ".npy":
        frames = read_npy(path, fault=ProfileError)
    else:
        frames = _image(path)
    if frames.ndim == 2:
        frames = frames[None]
    if frames.ndim != 3 or not len(frames):
        raise ProfileError(f"{path}: must hold grey frames (M, H, W), got shape {frames.shape}")
    if not np.issubdtype(frames.dtype, np.integer):
        raise ProfileError(f"{path}: must hold whole digital numbers, got {frames.dtype}")
    if min(frames.shape[1:]) < LEAST_SIDE_PX or max(frames.shape[1:]) > MOST_SIDE_PX:
        raise ProfileError(
            f"{path}: frames must be windows of {LEAST_SIDE_PX} to {MOST_SIDE_PX} pixels high and "
            f"wide, got {_size(frames.shape[1:])}"
        )
    low, high = int(frames.min()), int(frames.max())
    if low < 0 or high > full_scale_dn:
        raise ProfileError(
            f"{path}: values must lie within 0 and {full_scale_dn} DN, the full scale of the "
            f"scenario's camera (got {low} to {high})"
        )
    return frames


def _image(path: Path) -> NDArray:
    if path.suffix.lower() not in SUFFIXES:
        raise ProfileError(f"{path}: frames must be {', '.join(SUFFIXES)} (got {path.suffix!r})")
    return read_image(path)


def _size(shape: tuple[int, ...]) -> str:
    return f"{shape[0]} x {shape[1]}"


def _shown(cell: str | None) -> str:
    """Return a cell of a table, cut short."""
    return repr(cell if cell is None else cell[:20])
