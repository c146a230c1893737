"""Recorded frames: PNG, TIFF or NPY, with or without the truth beside them."""

import csv
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from sim.errors import ProfileError
from sim.ports import Array

SUFFIXES = (".npy", ".png", ".tif", ".tiff")
LEAST_SIDE_PX, MOST_SIDE_PX = 4, 256
TRUTH_COLUMNS = ("x_px", "y_px")


def load_frames(path: Path, full_scale_dn: int) -> NDArray[np.int32]:
    """Read recorded windows, one spot each.

    Nothing is altered: no scaling, no cropping, no conversion from colour.

    Parameters
    ----------
    path : Path
        A .npy stack (M, H, W) or single frame (H, W) of whole numbers; a PNG; a TIFF of one page
        or many; or a folder of such files, read in the order of their names.
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
        files = sorted(f for f in path.iterdir() if f.suffix.lower() in SUFFIXES)
        if not files:
            raise ProfileError(f"{path}: holds no frames ({', '.join(SUFFIXES)})")
    elif path.is_file():
        files = [path]
    else:
        raise ProfileError(f"{path}: no such file or folder of frames")
    stacks = [_read(file, full_scale_dn) for file in files]
    shape = stacks[0].shape[1:]
    for file, stack in zip(files, stacks, strict=True):
        if stack.shape[1:] != shape:
            raise ProfileError(
                f"{file}: all frames must have one size; the first has {_size(shape)}, "
                f"this one {_size(stack.shape[1:])}"
            )
    return np.concatenate(stacks)


def load_truth(path: Path, n_frames: int) -> Array:
    """Read true positions.

    Parameters
    ----------
    path : Path
        CSV whose first row names the columns; `x_px` and `y_px` are used: window pixels, from the
        centre of the first pixel. One row a frame, in order.
    n_frames : int
        Rows that there must be.

    Returns
    -------
    (M, 2) ndarray
        Positions. [px]

    Raises
    ------
    ProfileError
        If the file cannot be read, a column is missing, a value is no finite number, or the
        number of rows is not that of the frames.
    """
    try:
        with path.open(newline="", encoding="utf-8") as file:
            rows = list(csv.DictReader(file))
    except (OSError, UnicodeDecodeError, csv.Error) as exc:
        raise ProfileError(f"{path}: truth cannot be read: {_cause(exc)}") from exc
    if not rows:
        raise ProfileError(f"{path}: truth holds no rows below its header")
    for column in TRUTH_COLUMNS:
        if column not in rows[0]:
            raise ProfileError(f"{path}: truth must have columns x_px and y_px, no {column} found")
    if len(rows) != n_frames:
        raise ProfileError(
            f"{path}: truth must have one row for each of the {n_frames} frames (got {len(rows)})"
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
                    f"{path}: row {i + 2}: {column} must be a finite number (got {row[column]!r})"
                )
    return truth


def _read(path: Path, full_scale_dn: int) -> NDArray[np.int32]:
    frames = _numpy(path) if path.suffix.lower() == ".npy" else _image(path)
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
    return frames.astype(np.int32)


def _numpy(path: Path) -> NDArray:
    try:
        return np.asarray(np.load(path, allow_pickle=False))
    except (OSError, ValueError, EOFError) as exc:
        raise ProfileError(f"{path}: is not a readable NPY file: {_cause(exc)}") from exc


def _image(path: Path) -> NDArray:
    if path.suffix.lower() not in SUFFIXES:
        raise ProfileError(f"{path}: frames must be {', '.join(SUFFIXES)} (got {path.suffix!r})")
    # Without this OpenCV prints its own complaint beside ours.
    log = cv2.utils.logging
    level = log.getLogLevel()
    log.setLogLevel(log.LOG_LEVEL_SILENT)
    try:
        good, pages = cv2.imreadmulti(str(path), flags=cv2.IMREAD_UNCHANGED)
    except cv2.error:
        good, pages = False, ()
    finally:
        log.setLogLevel(level)
    if not good or not len(pages):
        raise ProfileError(f"{path}: is not a readable image")
    for page in pages:
        if page.ndim != 2:
            raise ProfileError(f"{path}: must be grey, got {page.shape[2]} channels")
        if page.shape != pages[0].shape:
            raise ProfileError(
                f"{path}: all pages must have one size; the first has {_size(pages[0].shape)}, "
                f"another {_size(page.shape)}"
            )
    return np.stack(pages)


def _size(shape: tuple[int, ...]) -> str:
    return f"{shape[0]} x {shape[1]}"


def _cause(exc: Exception) -> str:
    return getattr(exc, "strerror", None) or str(exc).partition("\n")[0]
