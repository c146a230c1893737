"""From the place of a spot, as a lens draws it, to a tilt, in whole numbers."""

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.camera.lens import Lens, undistorted
from sim.firmware.rounding import Rounding, Whole, shifted
from sim.foundations.ports import Array

RATIO_FRACTION: Final = 30
"""Bits behind the point of a ratio of the table; it is below 2."""
TURN_FRACTION: Final = 24
"""Bits behind the point of turn and scale."""
GUARD_BITS: Final = 4
"""Bits that a place has between the two products beyond those of positions."""
INDEX_BITS: Final = 8
"""The table has 2^8 to 2^9 steps."""
PART_BITS: Final = 16
"""Bits of a place between two entries of the table."""
REACH: Final = 1.5
"""Places up to so many half diagonals of the sensor from the axis are straightened."""
FOLD_SHARE: Final = 0.97
"""Of the last place that a barrel draws, the share up to which places are straightened: beyond it
the slope of the inverse has no bound."""


class LensWords(NamedTuple):
    """All constants of the way from a place to a tilt; whole numbers alone. S sensors."""

    fraction: int
    """Bits behind the point of places and positions [px]."""
    sensor: NDArray[np.int64]
    """(M,) of each mirror."""
    home: Whole
    """(M, 2) spot of the untilted mirror from the optical axis. [px] times 2^fraction"""
    straight: Whole
    """(M, 2) the same, straightened and scaled. [px] times 2^(fraction + `GUARD_BITS`)"""
    turn: Whole
    """(S, 2) cosine and sine of the rotation, times scale over scale, times 2^`TURN_FRACTION`."""
    shift: int
    """Squared places are tabled in steps of 2^shift."""
    limit: Whole
    """(S,) largest squared place that is straightened."""
    ratio: Whole
    """(S, N) straight radius over drawn radius at squared places of 0, 1, ... steps, times
    2^`RATIO_FRACTION`."""
    error_px: float
    """Largest difference of a position from that in double precision. [px]"""

    @property
    def largest_sum(self) -> int:
        """How far the sum before the last rounding can go, either way: a place at the limit."""
        place = int(np.sqrt(float(self.limit.max()))) + 1
        q = (place * int(self.ratio.max()) >> (RATIO_FRACTION - GUARD_BITS)) + 1
        turn = int(np.abs(self.turn).sum(axis=1).max())
        home = int(np.abs(self.straight).max()) << TURN_FRACTION
        return q * turn + home + (1 << (TURN_FRACTION + GUARD_BITS - 1))

    def largest_square(self, position_end: int) -> int:
        """Return the largest squared place, with positions up to an end either way."""
        return 2 * (position_end + int(np.abs(self.home).max())) ** 2


def lens_words(
    lens: Lens, sensor: NDArray[np.int64], corner_px: float, *, scale_px_per_rad: float,
    fraction: int,
) -> LensWords:  # fmt: skip
    """Put a believed lens into words.

    Parameters
    ----------
    lens : Lens
        Of M mirrors.
    sensor : (M,) ndarray of int
        Which sensor sees each mirror.
    corner_px : float
        Distance of a sensor's corner from its optical axis. [px]
    scale_px_per_rad : float
        By which the law's positions are tilts. [px/rad]
    fraction : int
        Bits behind the point of positions.

    Notes
    -----
    The error is the sum of: half a unit of the position; half a unit before the turn, twice, by the
    largest turn; half a unit of the turn by the largest place, twice; half a unit of the home;
    and the ratio's own error (half a unit of an entry and of what is between two, a unit of the way
    between them, and an eighth of the largest second derivative by the step squared) by the largest
    place. That derivative grows with the squared place for a barrel and falls for a pincushion, so
    that its largest value is one at an entry.
    """
    first = [int((sensor == s).argmax()) for s in range(int(sensor.max()) + 1)]
    k, angle = lens.distortion_per_px2[first], lens.rotation_rad[first]
    scale = scale_px_per_rad / lens.scale_px_per_rad[first]
    reach_px = np.full(len(first), REACH * corner_px)
    barrel = k < 0
    drawn_px = 2.0 / 3.0 / np.sqrt(np.where(barrel, -3.0 * k, 1.0))
    reach_px = np.where(barrel, np.minimum(reach_px, FOLD_SHARE * drawn_px), reach_px)
    squared = np.floor(np.ldexp(reach_px**2, 2 * fraction)).astype(np.int64)
    shift = int(squared.max()).bit_length() - 1 - INDEX_BITS
    last = squared >> shift
    radius = np.sqrt(np.ldexp(np.arange(last.max() + 1) * 2.0**shift, -2 * fraction))
    exact = np.array(
        [_ratios(radius, each, float(edge)) for each, edge in zip(k, reach_px, strict=True)]
    )
    ratio = np.rint(np.ldexp(exact, RATIO_FRACTION)).astype(np.int64)
    turn = np.stack([scale * np.cos(angle), scale * np.sin(angle)], axis=-1)
    home = scale[sensor] * lens.home_px
    used = [row[: end + 1] for row, end in zip(exact, last, strict=True)]
    bend = max(
        float(_bends(row, each * np.ldexp(2.0**shift, -2 * fraction)).max())
        for row, each in zip(used, k, strict=True)
    )
    step = max(float(np.abs(np.diff(row)).max()) for row in used)
    largest_px, size = float(reach_px.max()), float(np.abs(turn).sum(axis=1).max())
    part = min(PART_BITS, shift)
    ratio_error = 2.0 ** -(RATIO_FRACTION + 1) * 2 + bend / 8 + step * 2.0**-part
    unit = 2.0**-fraction
    error = (
        0.5 * unit + 0.5 * unit * 2.0**-GUARD_BITS * (1 + size)
        + 2.0**-TURN_FRACTION * float(exact.max()) * largest_px
        + ratio_error * largest_px * size
    )  # fmt: skip
    return LensWords(
        fraction, sensor,
        np.rint(np.ldexp(lens.home_px.T, fraction)).astype(np.int64),
        np.rint(np.ldexp(home.T, fraction + GUARD_BITS)).astype(np.int64),
        np.rint(np.ldexp(turn, TURN_FRACTION)).astype(np.int64), shift, (last << shift) - 1,
        ratio, error,
    )  # fmt: skip


def _ratios(radius_px: Array, k: float, reach_px: float) -> Array:
    """Return straight over drawn radius (N,) at drawn radii; beyond the reach they stay."""
    place = np.stack([np.minimum(radius_px, reach_px), np.zeros_like(radius_px)])
    found = undistorted(place, k)[0]
    return np.divide(found, place[0], out=np.ones_like(found), where=place[0] > 0)


def _bends(ratio: Array, bend_per_step: float) -> Array:
    """Return the second derivatives (N,), sizes alone, of ratios by the step they are tabled in.

    With u the squared place in steps and K = k times a step, f (1 + K u f^2) = 1, so that f' = -K
    f^3 / D with D = 1 + 3 K u f^2, and f'' = -K (3 f^2 f' D - f^3 D') / D^2, D' = 3 K (f^2 + 2 u f
    f').
    """
    u, big = np.arange(len(ratio)), bend_per_step
    d = 1.0 + 3.0 * big * u * ratio**2
    slope = -big * ratio**3 / d
    d_slope = 3.0 * big * (ratio**2 + 2.0 * u * ratio * slope)
    return np.abs(big * (3.0 * ratio**2 * slope * d - ratio**3 * d_slope) / d**2)


def straightened(
    words: LensWords, position: Whole, mirror: NDArray[np.int64] | None = None
) -> tuple[Whole, NDArray[np.bool_]]:
    """Return positions (M, 2) as in a perfect picture, and which of them there are (M,).

    Parameters
    ----------
    words : LensWords
        Constants.
    position : (M, 2) ndarray of int
        Place of each spot against that of its untilted mirror. [px] times 2^fraction
    mirror : (M,) ndarray of int, optional
        Whose; all in their order if left out.

    Notes
    -----
    1. z = position + `home`; s = z_x^2 + z_y^2. If s > `limit`, there is none, and 0 comes out.
    2. i = s >> `shift`, and the way between two entries t = (s - (i << shift)) >> (shift - P), P =
       the smaller of `PART_BITS` and `shift`. r = ratio[i] + ((ratio[i + 1] - ratio[i]) t +
       2^(P - 1)) >> P.
    3. q = z r / 2^(RATIO_FRACTION - GUARD_BITS), x and y, to the nearest, ties upward.
    4. x: c q_x + s q_y - (`straight`_x << TURN_FRACTION), y: c q_y - s q_x - (`straight`_y <<
       TURN_FRACTION), each over 2^(TURN_FRACTION + GUARD_BITS), to the nearest, ties upward.
    """
    own = np.arange(len(position)) if mirror is None else mirror
    sensor = words.sensor[own]
    z = position + words.home[own]
    squared = (z**2).sum(axis=1)
    there = squared <= words.limit[sensor]
    squared = np.where(there, squared, 0)
    part = min(PART_BITS, words.shift)
    index = squared >> np.int64(words.shift)
    way = (squared - (index << np.int64(words.shift))) >> np.int64(words.shift - part)
    here, after = words.ratio[sensor, index], words.ratio[sensor, index + 1]
    ratio = here + shifted((after - here) * way, part, Rounding.UP)
    z = np.where(there[:, None], z, 0)
    q = shifted(z * ratio[:, None], RATIO_FRACTION - GUARD_BITS, Rounding.UP)
    c, s = words.turn[sensor].T
    turned = np.stack([c * q[:, 0] + s * q[:, 1], c * q[:, 1] - s * q[:, 0]], axis=-1)
    total = turned - (words.straight[own] << np.int64(TURN_FRACTION))
    found = shifted(total, TURN_FRACTION + GUARD_BITS, Rounding.UP)
    return np.where(there[:, None], found, 0), there


class FixedLens:
    """What the loop believes of a lens, with the way from spots to tilts in whole numbers.

    Where a spot is expected stays in double precision: it places windows on whole pixels.
    """

    def __init__(self, lens: Lens, words: LensWords, scale_px_per_rad: float) -> None:
        """Take the lens, its words, and the scale by which the law's positions are tilts."""
        self.lens, self.words = lens, words
        self._px_per_rad = scale_px_per_rad

    def spots_px(self, tilt_rad: Array) -> Array:
        """Return where the spots of tilts (M, 2) are expected, against their homes. [px]"""
        return self.lens.spots_px(tilt_rad)

    def tilts_rad(self, spot_px: Array) -> Array:
        """Return the tilts (M, 2) of spots (M, 2) against their homes; NaN where there is none."""
        seen = np.asarray(np.isfinite(spot_px).all(axis=1))
        scaled = np.ldexp(np.where(seen[:, None], spot_px, 0.0), self.words.fraction)
        found, there = self.straightened(np.rint(scaled).astype(np.int64))
        px = np.ldexp(found.astype(float), -self.words.fraction)
        known = (seen & there)[:, np.newaxis]
        return np.where(known, px / self._px_per_rad, np.nan)

    def straightened(self, position: Whole) -> tuple[Whole, NDArray[np.bool_]]:
        """Return words of positions in a perfect picture, and which there are."""
        return straightened(self.words, position)
