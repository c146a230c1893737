"""Image files of recorded windows, checked page by page before a library decodes them."""

import os
import struct
import sys
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from sim.foundations.errors import ProfileError
from sim.foundations.files.arrays import LARGEST_ARRAYS_MB
from sim.foundations.files.reading import read_bytes
from sim.foundations.files.text import counted

PNG_START = b"\x89PNG\r\n\x1a\n"
PNG_HEADER = 13
"""Bytes of its first chunk, which begins with width and height (PNG, 3rd edition, 11.2.1)."""
TIFF_ORDERS = {b"II": "<", b"MM": ">"}
CLASSIC, BIG = 42, 43
OFFSETS, COUNTS = (273, 324), (279, 325)
"""Tags of where the data of a page are: strips, tiles (TIFF 6.0, sections 8 and 15)."""
SIZES = {3: ("H", 2), 4: ("I", 4)}
WIDTH, HEIGHT = (256,), (257,)
"""Tags of a page's size (TIFF 6.0, section 3)."""
LEAST_SIDE_PX, MOST_SIDE_PX = 4, 256
"""Of a window; larger images are refused before they are decoded, however small their files."""
MOST_PAGES = 1_000_000


def read_image(path: Path) -> NDArray:
    """Return the pages of a PNG or TIFF as they are, (M, H, W).

    Raises
    ------
    ProfileError
        If the file is cut off or damaged (the page is named), or its pages are not grey, of one
        size and one depth.
    """
    content = read_bytes(path, fault=ProfileError, largest_mb=LARGEST_ARRAYS_MB)
    pages = (
        tiff_pages(path, content) if path.suffix.lower() != ".png" else _whole_png(path, content)
    )
    with _quiet():
        try:
            good, found = cv2.imdecodemulti(
                np.frombuffer(content, np.uint8), flags=cv2.IMREAD_UNCHANGED
            )
        except cv2.error:
            good, found = False, ()
    if not good or not len(found):
        raise ProfileError(f"{path}: is not a readable image")
    if len(found) != pages:
        raise ProfileError(f"{path}: page {len(found) + 1} of {pages} is damaged")
    first = found[0]
    for number, page in enumerate(found, 1):
        where = f"{path}: page {number}: " if pages > 1 else f"{path}: "
        if page.ndim != 2:
            raise ProfileError(f"{where}must be grey, got {counted(page.shape[2], 'channel')}")
        if page.shape != first.shape:
            raise ProfileError(
                f"{where}all pages must have one size; the first has "
                f"{first.shape[0]} x {first.shape[1]}, this one {page.shape[0]} x {page.shape[1]}"
            )
        if page.dtype != first.dtype:
            raise ProfileError(
                f"{where}all pages must have one depth; the first has {first.dtype}, this one "
                f"{page.dtype}"
            )
    return np.stack(found)


def tiff_pages(path: Path, content: bytes) -> int:
    """Return the number of pages of a TIFF, having followed all of them.

    Raises
    ------
    ProfileError
        If it is no TIFF, or a page's directory or data lie beyond the end of the file.

    References
    ----------
    .. [1] TIFF, revision 6.0 (1992), section 2: header, image file directories, types.
    """
    order = TIFF_ORDERS.get(content[:2])
    if order is None or len(content) < 8:
        raise ProfileError(f"{path}: is not a readable image (no TIFF header)")
    kind, at = struct.unpack(order + "HI", content[2:8])
    if kind == BIG:
        raise ProfileError(f"{path}: is a BigTIFF; save it as TIFF, or as an NPY stack")
    if kind != CLASSIC:
        raise ProfileError(f"{path}: is not a readable image (no TIFF header)")
    page = pixels = 0
    while at:
        page += 1
        cut = ProfileError(f"{path}: page {page} lies beyond the end of the file: it is cut off")
        if page > MOST_PAGES:
            raise ProfileError(f"{path}: its pages go round in a circle")
        try:
            (entries,) = struct.unpack_from(order + "H", content, at)
            (following,) = struct.unpack_from(order + "I", content, at + 2 + 12 * entries)
            fields = [at + 2 + 12 * i for i in range(entries)]
            starts = _values(content, order, fields, OFFSETS)
            lengths = _values(content, order, fields, COUNTS)
            width, height = (_values(content, order, fields, tag) for tag in (WIDTH, HEIGHT))
        except struct.error:
            raise cut from None
        if not starts or len(starts) != len(lengths):
            raise ProfileError(
                f"{path}: page {page} is damaged: it does not say where its data are"
            )
        if max(s + n for s, n in zip(starts, lengths, strict=True)) > len(content):
            raise cut
        if not width or not height:
            raise ProfileError(f"{path}: page {page} is damaged: it does not say how large it is")
        pixels += _checked_size(f"{path}: page {page}", height[0], width[0])
        if 2 * pixels > LARGEST_ARRAYS_MB * 1e6:
            raise ProfileError(f"{path}: its pages must unfold to {LARGEST_ARRAYS_MB:g} MB at most")
        at = following
    if page == 0:
        raise ProfileError(f"{path}: holds no pages")
    return page


def _values(
    content: bytes, order: str, fields: list[int], tags: tuple[int, ...]
) -> tuple[int, ...]:
    """Values of the first of some tags that a directory has."""
    for at in fields:
        tag, kind, count = struct.unpack_from(order + "HHI", content, at)
        if tag in tags and kind in SIZES:
            letter, size = SIZES[kind]
            inside = count * size <= 4
            place = at + 8 if inside else struct.unpack_from(order + "I", content, at + 8)[0]
            return struct.unpack_from(f"{order}{count}{letter}", content, place)
    return ()


def _whole_png(path: Path, content: bytes) -> int:
    """Check every chunk of a PNG by its checksum (PNG, 3rd edition, section 5); one page."""
    if content[:8] != PNG_START:
        raise ProfileError(f"{path}: is not a readable image (no PNG header)")
    at = 8
    while at + 12 <= len(content):
        length, kind = struct.unpack(">I4s", content[at : at + 8])
        body = content[at + 4 : at + 8 + length]
        end = at + 12 + length
        if end > len(content):
            break
        if zlib.crc32(body) != struct.unpack(">I", content[end - 4 : end])[0]:
            raise ProfileError(f"{path}: is damaged: a checksum is wrong at byte {at}")
        if kind == b"IHDR" and length == PNG_HEADER:
            width, height = struct.unpack(">II", body[4:12])
            _checked_size(str(path), height, width)
        if kind == b"IEND":
            return 1
        at = end
    raise ProfileError(f"{path}: is cut off after {counted(len(content), 'byte')}")


def _checked_size(where: str, height: int, width: int) -> int:
    """Refuse images that are no windows; return their pixels."""
    if max(height, width) > MOST_SIDE_PX:
        raise ProfileError(
            f"{where}: frames must be windows of {LEAST_SIDE_PX} to {MOST_SIDE_PX} pixels high and "
            f"wide, got {height} x {width}"
        )
    return height * width


@contextmanager
def _quiet() -> Iterator[None]:
    """Keep the image libraries' own lines off the error stream while they decode."""
    log = cv2.utils.logging
    level = log.getLogLevel()
    log.setLogLevel(log.LOG_LEVEL_SILENT)
    sys.stderr.flush()
    kept = os.dup(2)
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 2)
    try:
        yield
    finally:
        os.dup2(kept, 2)
        os.close(nowhere)
        os.close(kept)
        log.setLogLevel(level)
