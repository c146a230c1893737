"""Stops that the core strikes when it sways too far: stiffer the deeper, lossy, one-sided.

The force over the core's mass at compression x and speed v into the stop is
k x (1 + (x/d)^2) (1 + c v), never pulling. Between ticks it is taken as straight; at each tick it
is the one that fits the position it leads to.
"""

from typing import NamedTuple

import numpy as np

from sim.foundations.ports import Array
from sim.mechanics.resonator import ResonatorSection, SectionState, respond

MOST_STEPS = 30
CLOSE = 1e-13


class Stop(NamedTuple):
    """One axis' stops, the same both ways.

    References
    ----------
    .. [1] K. H. Hunt and F. R. E. Crossley, J. Appl. Mech. 42 (1975) 440: damping that grows with
       the compression, and the restitution it leaves.
    """

    gap_m: float
    stiffness_per_s2: float
    """Of first touch, over the core's mass. [1/s^2]"""
    doubles_m: float
    damping_s_per_m: float

    def push(self, sway_m: float, speed_m_s: float) -> tuple[float, float]:
        """Return what the stop adds to the core's acceleration, and its slope over the sway."""
        x = abs(sway_m) - self.gap_m
        if x <= 0.0:
            return 0.0, 0.0
        sign = 1.0 if sway_m > 0 else -1.0
        deep = (x / self.doubles_m) ** 2
        loss = max(0.0, 1.0 + self.damping_s_per_m * sign * speed_m_s)
        force = self.stiffness_per_s2 * x * (1.0 + deep) * loss
        return -sign * force, -self.stiffness_per_s2 * (1.0 + 3.0 * deep) * loss


def struck(
    stop: Stop,
    core: ResonatorSection,
    sway: ResonatorSection,
    core_state: SectionState,
    sway_state: SectionState,
    chassis_m_s2: Array,
    free_sway_m: Array,
    mount: tuple[float, float],
) -> tuple[tuple[SectionState, Array], tuple[SectionState, Array]]:
    """Run one axis over a block in which it touches a stop.

    Up to the first touch the sections run as they do without stops; from there tick by tick.

    Parameters
    ----------
    stop : Stop
        The stops.
    core, sway : ResonatorSection
        The mount's sections.
    core_state, sway_state : SectionState
        At the start of the block; not changed.
    chassis_m_s2 : (K + 1, 1) ndarray
        At the block's edges. [m/s^2]
    free_sway_m : (K + 1,) ndarray
        What the sway would be if the stops were away from here on. [m]
    mount : (float, float)
        Stiffness [1/s^2] and damping [1/s] of the mount, over the core's mass.

    Returns
    -------
    (SectionState, (K + 1, 1) ndarray), twice
        The core's absolute acceleration [m/s^2], and its sway [m].
    """
    first = 1 + int(np.argmax(np.abs(free_sway_m[1:]) > stop.gap_m))
    core_state, core_out = respond(core, core_state, chassis_m_s2[:first])
    sway_state, sway_out = respond(sway, sway_state, chassis_m_s2[:first])
    (bc0, bc1, bc2), (_, ac1, ac2) = core.numerator.tolist(), core.denominator.tolist()
    (bs0, bs1, bs2), (_, as1, as2) = sway.numerator.tolist(), sway.denominator.tolist()
    mc0, mc1 = core_state.memory[:, 0].tolist()
    ms0, ms1 = sway_state.memory[:, 0].tolist()
    stiffness, damping = mount
    count = len(chassis_m_s2)
    felt, moved = np.empty((count, 1)), np.empty((count, 1))
    felt[:first], moved[:first] = core_out, sway_out
    push = 0.0
    for k, base in enumerate(chassis_m_s2[first:, 0].tolist(), first):
        for _ in range(MOST_STEPS):
            drive = base - push
            spring = bc0 * drive + mc0
            place = bs0 * drive + ms0
            wanted, slope = stop.push(place, -(spring + stiffness * place) / damping)
            step = (wanted - push) / (1.0 + bs0 * slope)
            push += step
            if abs(step) <= CLOSE * abs(push):
                break
        drive = base - push
        spring, place = bc0 * drive + mc0, bs0 * drive + ms0
        mc0, mc1 = bc1 * drive - ac1 * spring + mc1, bc2 * drive - ac2 * spring
        ms0, ms1 = bs1 * drive - as1 * place + ms1, bs2 * drive - as2 * place
        felt[k, 0], moved[k, 0] = spring + push, place
    return (
        (SectionState(np.array([[mc0], [mc1]]), felt[-1].copy(), started=True), felt),
        (SectionState(np.array([[ms0], [ms1]]), moved[-1].copy(), started=True), moved),
    )
