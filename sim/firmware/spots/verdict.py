"""What every fixed-point estimator shares: its window, the words of its verdict, the verdict."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.firmware.q_format import QFormat
from sim.firmware.rounding import Whole
from sim.firmware.settings import EstimatorArithmetic
from sim.foundations.files.text import counted
from sim.foundations.ports import SpotStatus


class TrustRule(NamedTuple):
    """The window, and when a reading is not to be trusted; whole numbers alone."""

    height: int
    width: int
    position: QFormat
    """Of positions about the middle of the window: column i is at (2 i - width + 1) 2^(F - 1)."""
    least_light: int
    """Less than this is DIM; above zero. [unit of the light]"""
    light_fraction: int
    """Bits behind the point of the light [DN]."""
    edge_x: int
    """Farther than this from the middle is EDGE. [unit of positions]"""
    edge_y: int


class SpotWords(NamedTuple):
    """What a fixed-point estimator gives."""

    position: Whole
    """(M, 2) as (x, y), about the middle of the window; 0 where the status is not OK."""
    light: Whole
    """(M,) what decides on DIM."""
    status: NDArray[np.uint8]
    """(M,) SpotStatus."""


def verdict_of(
    a: EstimatorArithmetic, window_px: tuple[int, int], *, min_flux_dn: float, edge_px: float,
    light_fraction: int,
) -> TrustRule:  # fmt: skip
    """Put the rules of a reading into words.

    Parameters
    ----------
    a : EstimatorArithmetic
        Word lengths.
    window_px : (int, int)
        (H, W). [px]
    min_flux_dn : float
        Least light. [DN]
    edge_px : float
        Least distance from the outermost pixel centres. [px]
    light_fraction : int
        Bits behind the point of the light.

    Returns
    -------
    TrustRule

    Raises
    ------
    ValueError
        If the word of positions cannot hold the window.
    """
    height, width = window_px
    position = QFormat(a.position_bits, a.position_fraction)
    half = [(side - 1) << (a.position_fraction - 1) for side in (width, height)]
    if max(half) > position.highest:
        raise ValueError(
            f"position_bits: {max(half).bit_length() + 1} are needed for +-"
            f"{(max(width, height) - 1) / 2:g} px with {counted(a.position_fraction, 'bit')} "
            f"behind the point (got {a.position_bits})"
        )
    edge = int(np.ceil(np.ldexp(edge_px, a.position_fraction)))
    least = max(1, int(np.ceil(np.ldexp(min_flux_dn, light_fraction))))
    return TrustRule(
        height, width, position, least, light_fraction, half[0] - edge, half[1] - edge
    )  # fmt: skip


def judged_words(
    v: TrustRule, position: Whole, light: Whole, failed: NDArray[np.bool_],
    at_edge: NDArray[np.bool_] | None = None,
) -> SpotWords:  # fmt: skip
    """Return positions with their status; DIM goes before FAILED, and FAILED before EDGE.

    1. DIM if light < `least_light`.
    2. Else FAILED if the estimator gave up, or if a position is beyond its word.
    3. Else EDGE if x is beyond +- `edge_x`, y beyond +- `edge_y`, or if the estimator says so.
    4. Else OK. The position is 0 unless the status is OK.
    """
    limits = np.array([v.edge_x, v.edge_y])
    near = (np.abs(position) > limits).any(axis=1)
    if at_edge is not None:
        near = near | at_edge
    status = np.where(near, SpotStatus.EDGE, SpotStatus.OK).astype(np.uint8)
    status[failed | v.position.overflows(position).any(axis=1)] = SpotStatus.FAILED
    status[light < v.least_light] = SpotStatus.DIM
    ok = (status == SpotStatus.OK)[:, None]
    return SpotWords(np.where(ok, position, 0), light, status)


def places(side: int) -> Whole:
    """Return the places (side,) of pixel centres about the window's middle, in half pixels."""
    return 2 * np.arange(side, dtype=np.int64) - (side - 1)
