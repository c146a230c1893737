"""What an estimator gets and gives: frames and a believed camera in, one reading a mirror out."""

from enum import IntEnum
from typing import Any, NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray

from sim.foundations.ports.array import Array


class SpotStatus(IntEnum):
    """Why a reading is or is not usable; stored in traces, counted in reports."""

    OK = 0
    DIM = 1
    """Too little light above the threshold in the window."""
    EDGE = 2
    """The spot touches the edge of the window, so its position cannot be trusted."""
    FAILED = 3
    """The estimator found no position."""
    SEARCH = 4
    """The mirror's whole field is being read; there is no window, and no reading."""
    WRONG_SPOT = 5
    """The light is taken for that of another mirror, so its position is not followed."""
    NO_FRAME = 6
    """No new frame has come: it was dropped, or is late."""
    BAD_ROWS = 7
    """Rows of the window failed their check, so it was not read."""


class CameraBelief(NamedTuple):
    """What the firmware assumes about its camera; an estimator may use it."""

    black_dn: float
    gain_dn_per_e: float
    background_e: float
    read_noise_e: float
    full_scale_dn: int
    spot_sigma_px: float


class SpotReading(NamedTuple):
    """One estimate per mirror, in window pixels."""

    spot_px: Array
    """(M, 2) as (x, y), from the centre of pixel [0, 0]; NaN where the status is not OK. [px]"""
    flux_dn: Array
    """(M,) sum of what the estimator took for the spot. [DN]"""
    status: NDArray[np.uint8]
    """(M,) SpotStatus."""


def reading_fault(reading: Any, n_mirrors: int) -> tuple[int | None, str] | None:
    """Return what is wrong with what an estimator gave: (column of the mirror, words), or None."""
    if not isinstance(reading, SpotReading):
        return None, f"gave {type(reading).__name__}, not a SpotReading"
    shapes = {"spot_px": (n_mirrors, 2), "flux_dn": (n_mirrors,), "status": (n_mirrors,)}
    for name, shape in shapes.items():
        got = getattr(getattr(reading, name), "shape", None)
        if got != shape:
            return None, f"{name} must be of shape {shape} (got {got})"
    ok = reading.status == SpotStatus.OK
    bad = ok & ~np.isfinite(reading.spot_px).all(axis=1)
    if bad.any():
        column = int(bad.argmax())
        x, y = reading.spot_px[column]
        return column, f"status OK with a position that is not finite (got {x}, {y})"
    unknown = reading.status > SpotStatus.FAILED
    if unknown.any():
        column = int(unknown.argmax())
        return column, f"status must be OK, DIM, EDGE or FAILED (got {reading.status[column]})"
    return None


class PixelSums(NamedTuple):
    """A centre of gravity of max(dn - threshold, 0) in numbers, for the fused loop.

    An estimator that is no more than that may offer it, see `sim.estimators.EstimatorKind`.
    """

    threshold_dn: int
    """Taken off every pixel. [DN]"""
    min_flux_dn: float
    """Less than this above the threshold reads DIM. [DN]"""
    edge_px: float
    """Nearer than this to the outermost pixel centres reads EDGE. [px]"""


class Estimator(Protocol):
    """Turns frames (M, H, W) [DN] into one reading per mirror; settings are bound beforehand."""

    def __call__(self, frames_dn: NDArray[np.int32], *, camera: CameraBelief) -> SpotReading:
        """Return the spot of each frame; must not change its input."""
        ...
