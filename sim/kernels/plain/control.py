"""Control laws that are given in numbers."""

from typing import Any

import numpy as np

from sim.foundations.ports import Array
from sim.foundations.ports.linear_law import LawState, LinearLaw, law_step


def control(tilt: Array, spot: Array, scale: float, path: Any, law: LinearLaw, memory: Any) -> None:
    """Step a control law: from spots in their windows (2, M) [px] to corrections.

    Parameters
    ----------
    tilt : (2, M) ndarray
        Gets the measured tilt. [rad]
    spot : (2, M) ndarray
        Spots in their windows, NaN where lost. [px]
    scale : float
        Pixels per radian of tilt. [px/rad]
    path : NamedTuple of (2, M) arrays
        reference_rad, lowest_rad, highest_rad [rad] and origin_px [px] of the frame.
    law : LinearLaw
        The law, as the controller states it.
    memory : NamedTuple of arrays that run over mirrors last
        states (n, 2, M), correction_rad (2, M) and filters_rad (s, 2, 2, M); changed.
    """
    tilt[:] = (path.origin_px + spot) / scale
    error = path.reference_rad - tilt
    seen = np.isfinite(error)
    state = LawState(
        memory.states.transpose(2, 1, 0),
        memory.correction_rad.T,
        memory.filters_rad.transpose(3, 2, 0, 1),
    )
    after = law_step(
        law, state, np.where(seen, error, 0.0).T, seen.T, path.lowest_rad.T, path.highest_rad.T
    )
    memory.states[:] = after.states.transpose(2, 1, 0)
    memory.correction_rad[:] = after.correction_rad.T
    memory.filters_rad[:] = after.filters_rad.transpose(2, 3, 1, 0)
