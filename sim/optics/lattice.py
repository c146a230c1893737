"""Where the places of an array stand: square or hexagonal lattice, rectangular or round outline."""

from typing import Literal

import numpy as np
from numpy.typing import NDArray

from sim.foundations.ports import Array

Lattice = Literal["square", "hexagonal"]
Outline = Literal["rectangle", "round"]
ROW_RATIO = np.sqrt(3.0) / 2.0
"""Distance between rows of a hexagonal lattice, in pitches."""


def lattice_places(count: int, columns: int, lattice: Lattice, outline: Outline) -> Array:
    """Return the places of an array's mirrors, from its centre.

    Parameters
    ----------
    count : int
        Mirrors of the array.
    columns : int
        Mirrors in a row of a rectangle; a round outline does not use it.
    lattice : "square" or "hexagonal"
        In a hexagonal lattice each mirror has six neighbours at the pitch; every second row is
        half a pitch further along x.
    outline : "rectangle" or "round"
        Full rows, or the `count` places of the lattice that are nearest to one of them.

    Returns
    -------
    (count, 2) ndarray
        Along the rows, and across them. Ports count along rows, and row after row. [pitch]
    """
    if outline == "rectangle":
        column, row = np.arange(count) % columns, np.arange(count) // columns
        found = _point(column, row, lattice)
        return np.asarray(found - 0.5 * (found.min(axis=0) + found.max(axis=0)))
    # A disc that holds `count` places has a radius below sqrt(count) pitches on either lattice.
    reach = int(np.ceil(np.sqrt(count))) + 2
    row, column = (v.ravel() for v in np.mgrid[-reach : reach + 1, -2 * reach : 2 * reach + 1])
    found = _point(column, row, lattice)
    found = found[np.hypot(*found.T) <= reach]
    distance = np.round(np.hypot(*found.T), 9)
    turn = np.round(np.arctan2(found[:, 1], found[:, 0]) % (2.0 * np.pi), 9)
    nearest = found[np.lexsort((turn, distance))[:count]]
    return np.asarray(nearest[np.lexsort((nearest[:, 0], np.round(nearest[:, 1], 9)))])


def _point(column: NDArray[np.integer], row: NDArray[np.integer], lattice: Lattice) -> Array:
    """Return lattice points (..., 2); the first of row 0 is the origin. [pitch]"""
    if lattice == "square":
        return np.stack([column, row], axis=-1).astype(float)
    return np.stack([column + 0.5 * (row % 2), ROW_RATIO * row], axis=-1)
