"""Mounts under the optical core: what reaches the core of the chassis' acceleration, and sway.

Each axis is one mass on a spring and a viscous damper. Rocking, coupling between axes and the
stops of a real mount are left out: once the sway passes the clearance the figures mean nothing,
which is why the sway is reported against it.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sim.mechanics.resonator import (
    ResonatorSection,
    SectionState,
    initial_state,
    ramp_invariant,
    respond,
)
from sim.params import Block, Positive
from sim.ports import Array

AXES = ("x", "y", "z")


class IsolatorParams(Block):
    """Second-order base isolation, an independent mount for each axis (x, y, z)."""

    resonance_hz: tuple[Positive, Positive, Positive]
    """Undamped resonance of the core on its mounts. [Hz]"""
    quality: tuple[Positive, Positive, Positive]
    """Quality factor of the mounts; 1/(2 damping ratio). [-]"""
    clearance_mm: tuple[Positive, Positive, Positive]
    """How far the core can move before it touches, same both ways. [mm]"""


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
        """
        self.params = params
        mounts = list(zip(params.resonance_hz, params.quality, strict=True))
        self._core: list[ResonatorSection] = [
            ramp_invariant(f_hz, q, tick_s, displacement=1.0, velocity=1.0 / q)
            for f_hz, q in mounts
        ]
        self._sway: list[ResonatorSection] = [
            ramp_invariant(f_hz, q, tick_s, displacement=-1.0 / (2.0 * np.pi * f_hz) ** 2)
            for f_hz, q in mounts
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
        after = IsolatorState(tuple(s for s, _ in core), tuple(s for s, _ in sway))
        return after, np.hstack([y for _, y in core]), np.hstack([y for _, y in sway])

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
