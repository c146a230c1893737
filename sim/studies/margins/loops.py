"""What a study of margins holds: the loops of a scenario, their figures and their steps."""

from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from controllers.analysis.linear_loop import ClosedLoop, Loop
from controllers.analysis.margins import Margins
from controllers.analysis.poles import NearestPole
from sim.assembly.build import Built
from sim.foundations.ports import Array
from sim.results.metrics import mirror_name

AXES: Final = ("x", "y")


class UnitSteps(NamedTuple):
    """Unit steps by feedback alone, K frames of J instants; both start with frame 0."""

    time_s: Array
    """(K J,) [s]"""
    reference: Array
    """(K J, M, 2) tilt after a step of the reference. [-]"""
    rest: Array
    """(K J, M, 2) tilt after a step of the rest angle, which passes the mirror itself. [-]"""
    reference_read: Array
    """(K, M, 2) exposure means of the first. [-]"""
    rest_read: Array
    """(K, M, 2) of the second. [-]"""
    overshoot: Array
    """(M, 2) of the step of the reference beyond 1, between frames included. [-]"""
    overshoot_read: Array
    """(M, 2) the same of its readings alone. [-]"""
    rise_s: Array
    """(M, 2) from 10 % to 90 % of the step; NaN if it does not get there. [s]"""
    settling_s: Array
    """(M, 2) from the step until it stays within `BAND`; NaN if it does not in K frames. [s]"""


NOTHING = np.zeros((0, 0, 2))
NO_STEPS: Final = UnitSteps(np.zeros(0), *(NOTHING,) * 4, *(np.zeros((0, 2)),) * 4)
"""Of a study that does not follow them."""


@dataclass(frozen=True, slots=True)
class MarginsStudy:
    """The loops of a scenario of M mirrors, and what their frequency response says."""

    built: Built
    loop: Loop
    closed: ClosedLoop
    frequency_hz: Array
    """(F,) [Hz]"""
    gain: NDArray[np.complex128]
    """(F, M, 2) loop gain of each axis, the other axis' loop closed. [-]"""
    margins: Margins
    """(M, 2) each; meaningless where not stable."""
    ms_2x2: Array
    """(M,) largest singular value of the sensitivity of both axes. [-]"""
    noise_gain: Array
    """(M, 2) [-]"""
    integral: Array
    """(M, 2) mean of ln |S| up to half the frame rate. [-]"""
    stable: NDArray[np.bool_]
    """(M,)"""
    to_fall: Array
    """(M,) factor on the gain at which an unstable loop becomes stable; NaN for stable ones. [-]"""
    rejection_hz: tuple[float, ...]
    rejection: Array
    """(R, M, 2) |S| at these frequencies. [-]"""
    poles: NearestPole
    """(M, 2) each: the slowest motion that each axis shows."""
    steps: UnitSteps
    """Unit steps, between the frames too."""

    @property
    def worst(self) -> tuple[int, int]:
        """Place (mirror in the fleet, axis) of the largest Ms; unstable loops come first."""
        ms = np.where(self.stable[:, None], self.margins.ms, np.inf)
        m, axis = np.unravel_index(int(ms.argmax()), ms.shape)
        return int(m), int(axis)

    @property
    def least_gain(self) -> tuple[int, int]:
        """Place of the smallest gain margin; that of `worst` if no loop has one."""
        gain = np.where(self.stable[:, None], self.margins.gain, np.inf)
        if not np.isfinite(gain).any() or not self.stable.all():
            return self.worst
        m, axis = np.unravel_index(int(np.nanargmin(gain)), gain.shape)
        return int(m), int(axis)

    def name(self, m: int, axis: int) -> str:
        """Return a loop's name as people say it."""
        return f"{mirror_of(self.built, int(self.built.parts.mirrors[m]))}, axis {AXES[axis]}"


def mirror_of(built: Built, mirror: int) -> str:
    """Return a mirror's name, such as B57, from its number in the switch."""
    return f"mirror {mirror_name(mirror, built.resolved.switch.geometry.ports_per_side)}"
