"""Mounts under the optical core: what reaches the core of the chassis' acceleration, and sway.

Each axis is one mass on a spring and a viscous damper, between two stops that it strikes once the
sway passes the clearance. Rocking and coupling between axes are left out.
"""

from functools import cached_property
from typing import Annotated, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sim.foundations.errors import ScenarioError
from sim.foundations.params import Block, NonNegative, Positive, between
from sim.foundations.ports import Array
from sim.mechanics.resonator import (
    ResonatorSection,
    SectionState,
    initial_state,
    ramp_invariant,
    respond,
)
from sim.mechanics.stop import Stop, struck

AXES = ("x", "y", "z")
STOP_TICKS = 20.0
"""Ticks to a period of the core on a stop, at least."""

Mount = Annotated[float, between(0.1, 1e3)]
Quality = Annotated[float, between(0.1, 1e6)]
Clearance = Annotated[float, between(1e-3, 1e3)]


class IsolatorParams(Block):
    """Second-order base isolation, an independent mount for each axis (x, y, z).

    Valid for mounts between 0.1 Hz, below which they would sag by metres under the core's own
    weight, and 1 kHz, above which the core is no longer one rigid mass on them; quality factors
    of 0.1 to 1e6, which is no damping; clearances up to 1 m.
    """

    resonance_hz: tuple[Mount, Mount, Mount]
    """Undamped resonance of the core on its mounts. [Hz]"""
    quality: tuple[Quality, Quality, Quality]
    """Quality factor of the mounts; 1/(2 damping ratio). [-]"""
    clearance_mm: tuple[Clearance, Clearance, Clearance]
    """How far the core can move before it touches, same both ways. [mm]"""
    stop_hz: tuple[Positive, Positive, Positive] = (60.0, 60.0, 60.0)
    """Resonance that the core would have on a stop alone: how stiff the stop is at first touch;
    the value if left out is invented. [Hz]"""
    stop_doubles_mm: tuple[Positive, Positive, Positive] = (1.0, 1.0, 1.0)
    """Compression of a stop at which its force is twice what its first stiffness gives; the value
    if left out is invented. [mm]"""
    stop_damping_s_per_m: NonNegative = 1.0
    """Share of a stop's force that is lost or added per speed of the core into it or out of it; the
    speed after a light impact is about 1 - 2/3 of this times the speed before. [s/m]"""


class IsolatorState(NamedTuple):
    """State of the two sections (core acceleration, sway) of each axis."""

    core: tuple[SectionState, ...]
    sway: tuple[SectionState, ...]


class Isolator:
    """Turns the chassis' acceleration into that of the core on its mounts."""

    Params = IsolatorParams

    def __init__(self, params: IsolatorParams, tick_s: float) -> None:
        """Sample the mounts at the drive's ticks.

        Parameters
        ----------
        params : IsolatorParams
            The mounts.
        tick_s : float
            Drive update period. [s]

        Raises
        ------
        ScenarioError
            If a stop is too stiff for the ticks.
        """
        self.params = params
        stiffest = max(params.stop_hz)
        if stiffest * tick_s * STOP_TICKS > 1.0:
            raise ScenarioError(
                f"isolator.stop_hz: a stop must have {STOP_TICKS:g} ticks of {1e6 * tick_s:g} us "
                f"to a period, so at most {1.0 / (STOP_TICKS * tick_s):g} Hz (got {stiffest:g})"
            )
        self._stops = [
            Stop(1e-3 * gap_mm, (2.0 * np.pi * f_hz) ** 2, 1e-3 * doubles_mm,
                 params.stop_damping_s_per_m)
            for gap_mm, f_hz, doubles_mm in zip(
                params.clearance_mm, params.stop_hz, params.stop_doubles_mm, strict=True
            )
        ]  # fmt: skip
        self._tick_s = tick_s

    @cached_property
    def _core(self) -> list[ResonatorSection]:
        """Acceleration of the core along each axis; worked out when it is first shaken."""
        return [
            ramp_invariant(f_hz, q, self._tick_s, displacement=1.0, velocity=1.0 / q)
            for f_hz, q in zip(self.params.resonance_hz, self.params.quality, strict=True)
        ]

    @cached_property
    def _sway(self) -> list[ResonatorSection]:
        """Its sway against the frame."""
        return [
            ramp_invariant(f_hz, q, self._tick_s, displacement=-1.0 / (2.0 * np.pi * f_hz) ** 2)
            for f_hz, q in zip(self.params.resonance_hz, self.params.quality, strict=True)
        ]

    def initial_state(self) -> IsolatorState:
        """Return the state of a core at rest on its mounts."""
        rest = tuple(initial_state(1) for _ in AXES)
        return IsolatorState(rest, rest)

    def advance(
        self, state: IsolatorState, chassis_m_s2: ArrayLike
    ) -> tuple[IsolatorState, Array, Array]:
        """Return core acceleration and sway over one block.

        Parameters
        ----------
        state : IsolatorState
            From `initial_state` or the block before; not changed.
        chassis_m_s2 : (K + 1, 3) array_like
            Chassis acceleration at the block's tick edges. [m/s^2]

        Returns
        -------
        state : IsolatorState
            At the block's last edge.
        core_m_s2 : (K + 1, 3) ndarray
            Absolute acceleration of the core. [m/s^2]
        sway_m : (K + 1, 3) ndarray
            Position of the core against the chassis. [m]

        Raises
        ------
        ValueError
            If the acceleration is not (K + 1, 3).
        """
        chassis = np.asarray(chassis_m_s2, dtype=float)
        if chassis.ndim != 2 or chassis.shape[1] != 3:
            raise ValueError(f"chassis_m_s2 must be (K + 1, 3), got {chassis.shape}")
        columns = [chassis[:, axis : axis + 1] for axis in range(3)]
        core = [respond(*each) for each in zip(self._core, state.core, columns, strict=True)]
        sway = [respond(*each) for each in zip(self._sway, state.sway, columns, strict=True)]
        for axis, stop in enumerate(self._stops):
            if np.abs(sway[axis][1][1:]).max(initial=0.0) > stop.gap_m:
                core[axis], sway[axis] = struck(
                    stop, self._core[axis], self._sway[axis], state.core[axis], state.sway[axis],
                    columns[axis], sway[axis][1][:, 0], self._mount(axis),
                )  # fmt: skip
        after = IsolatorState(tuple(s for s, _ in core), tuple(s for s, _ in sway))
        return after, np.hstack([y for _, y in core]), np.hstack([y for _, y in sway])

    def _mount(self, axis: int) -> tuple[float, float]:
        """Stiffness and damping of a mount over the core's mass. [1/s^2, 1/s]"""
        turn = 2.0 * np.pi * self.params.resonance_hz[axis]
        return turn**2, turn / self.params.quality[axis]

    def transmissibility(self, frequency_hz: ArrayLike) -> NDArray[np.complex128]:
        """Return core over chassis acceleration (..., 3) of the mounts themselves, unsampled.

        (1 + j r/Q)/(1 - r^2 + j r/Q) with r the frequency over the resonance: the usual form for
        viscous damping in parallel with the spring. It crosses one at r = sqrt(2) for every Q.
        """
        ratio = np.asarray(frequency_hz, dtype=float)[..., None] / np.array(
            self.params.resonance_hz
        )
        damping = 1j * ratio / np.array(self.params.quality)
        return (1.0 + damping) / (1.0 - ratio**2 + damping)
