"""Whose light a window holds: what the firmware can tell, and how often it is wrong in truth.

Where fields lie close, a window that follows its own spot meets a neighbour's. The reading looks
like any other, and a loop that believes it pulls its mirror after the neighbour.
"""

from enum import IntEnum
from typing import Annotated, Final, NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray

from sim.foundations.params import Block, between
from sim.foundations.ports import Array, SpotStatus

WRONG_PX: Final = 1.0
"""A reading this far from its own spot, with a neighbour's spot in the window, is a wrong one. [px]
"""


class SpotGuardParams(Block):
    """When the firmware doubts that a reading is of its own mirror; such a reading is WRONG_SPOT.

    A reading that lies nearer to where a neighbour's spot is expected than to where its own is
    expected is always doubted. Valid where neighbours go where they are sent: one that is lost, or
    thrown about by a shock, is not where the firmware expects it, and only its light gives it away.
    """

    margin_px: Annotated[float, between(0.0, 256.0)] | None = None
    """Doubt every reading while a neighbour's spot is expected in the window, or no farther than
    this from its edge. None: do not; two spots in one window then pass as one between them. [px]"""
    excess_light_pct: Annotated[float, between(0.1, 1000.0)] | None = None
    """Doubt a reading with so much more light than the mirror's spot had when it was calibrated;
    needs `calibration.results`. None: do not. [%]"""


class Confusion(IntEnum):
    """What is counted of the readings of a mirror; rows of the counts."""

    SHARED = 0
    """A neighbour's spot was in the window."""
    PASSED = 1
    """The reading was wrong, and passed as good."""
    CAUGHT = 2
    """The reading was wrong, and was called WRONG_SPOT."""
    FALSE_ALARM = 3
    """The reading was right, and was called WRONG_SPOT."""


class Windows(NamedTuple):
    """Windows among those of their neighbours."""

    corners_px: Array
    """(2, M, 2) first and last pixel (x, y), against the spot of each untilted mirror. [px]"""
    neighbours: NDArray[np.int64]
    """(M, 8) columns of each mirror's neighbours; -1: none."""
    home_px: Array
    """(M, 2) spot of each untilted mirror on the sensor. [px]"""

    def theirs(self, place_px: Array) -> Array:
        """Return the neighbours' places (M, 8, 2) as each mirror's own is counted; none: far."""
        theirs = (place_px + self.home_px)[self.neighbours] - self.home_px[:, None]
        return np.where((self.neighbours >= 0)[:, :, None], theirs, np.inf)

    def hold(self, place_px: Array, margin_px: float) -> NDArray[np.bool_]:
        """Return which places (M, 8, 2) lie in the windows, or so near to them."""
        first, last = self.corners_px[:, :, None]
        return np.asarray(
            ((place_px >= first - margin_px) & (place_px <= last + margin_px)).all(axis=2)
        )


class SpotGuard(NamedTuple):
    """What the firmware goes by."""

    margin_px: float | None
    most_flux_dn: Array | None
    """(M,) light above which a reading is doubted. [DN]"""

    def doubts(
        self, spot_px: Array, flux_dn: Array, expected_px: Array, windows: Windows
    ) -> NDArray[np.bool_]:
        """Return which readings (M,) are doubted; see `doubted`."""
        return doubted(self, spot_px, flux_dn, expected_px, windows)


class DoubtsReadings(Protocol):
    """Tells readings of other mirrors' spots."""

    def doubts(
        self, spot_px: Array, flux_dn: Array, expected_px: Array, windows: Windows
    ) -> NDArray[np.bool_]:
        """Return which readings (M,) are doubted; parameters as for `doubted`."""
        ...


def doubted(
    guard: SpotGuard, spot_px: Array, flux_dn: Array, expected_px: Array, windows: Windows
) -> NDArray[np.bool_]:
    """Return which readings (M,) the firmware takes for those of another mirror.

    Parameters
    ----------
    guard : SpotGuard
        Its rules.
    spot_px : (M, 2) ndarray
        Readings against the spot of each untilted mirror; NaN where lost. [px]
    flux_dn : (M,) ndarray
        Light of each. [DN]
    expected_px : (M, 2) ndarray
        Where each spot is expected, against that of the untilted mirror. [px]
    windows : Windows
        Where they are, and whose are beside them.
    """
    theirs = windows.theirs(expected_px)
    away = np.linalg.norm(spot_px[:, None] - theirs, axis=2).min(axis=1)
    found = away < np.linalg.norm(spot_px - expected_px, axis=1)
    if guard.margin_px is not None:
        found = found | windows.hold(theirs, guard.margin_px).any(axis=1)
    if guard.most_flux_dn is not None:
        found = found | (flux_dn > guard.most_flux_dn)
    return np.asarray(found)


def confusion_counts(
    spot_px: Array, status: NDArray[np.uint8], place_px: Array, windows: Windows
) -> NDArray[np.bool_]:
    """Return what each reading counts as, (4, M): rows as in `Confusion`.

    Parameters
    ----------
    spot_px : (M, 2) ndarray
        As read, before any doubt; NaN where lost. [px]
    status : (M,) ndarray of uint8
        SpotStatus, doubts included.
    place_px : (M, 2) ndarray
        Where the spots truly are, the mean over the exposure. [px]
    windows : Windows
        As for `doubted`.
    """
    shared = windows.hold(windows.theirs(place_px), 0.0).any(axis=1)
    wrong = shared & (np.linalg.norm(spot_px - place_px, axis=1) > WRONG_PX)
    caught = status == SpotStatus.WRONG_SPOT
    passed = wrong & (status == SpotStatus.OK)
    return np.stack([shared, passed, caught & wrong, caught & ~wrong])

