"""The camera's bracket: base acceleration bends it, and the camera's frame shifts.

The loop cannot see this shift. It follows the spot faithfully, so the shift becomes true pointing
error of the opposite sign.
"""

from functools import cached_property
from typing import Annotated

import numpy as np
from numpy.typing import ArrayLike

from sim.foundations.params import Block, between
from sim.foundations.ports import Array
from sim.mechanics.resonator import (
    ResonatorSection,
    SectionState,
    initial_state,
    ramp_invariant,
    respond,
)

Shift = Annotated[float, between(-1e4, 1e4)]
Row = tuple[Shift, Shift, Shift]


class BracketParams(Block):
    """One resonance of the bracket that holds the camera, driven by base acceleration.

    Valid for a first resonance between 1 Hz and 100 kHz and below the second, which is left
    out; quality factors of 0.1 to 1e6, which is no damping; and shifts of up to 0.01 rad for
    1 m/s^2, beyond which a bracket bends more than it holds.
    """

    resonance_hz: Annotated[float, between(1.0, 1e5)]
    """Undamped resonance of the bracket. [Hz]"""
    quality: Annotated[float, between(0.1, 1e6)]
    """Quality factor of that resonance. [-]"""
    sensitivity_urad_per_m_s2: tuple[Row, Row]
    """Static shift (rows x, y), as mirror tilt, per base acceleration (x, y, z). [urad/(m/s^2)]"""


class Bracket:
    """Shift of the camera's frame under base acceleration.

    One resonance serves both directions of the shift. Below it the shift is the static one; at it
    Q times as large; above it the camera stays behind and the shift falls as frequency squared.
    """

    Params = BracketParams

    def __init__(self, params: BracketParams, tick_s: float) -> None:
        """Sample the bracket at the drive's ticks.

        Parameters
        ----------
        params : BracketParams
            The bracket.
        tick_s : float
            Drive update period. [s]
        """
        self.params = params
        self._tick_s = tick_s
        self._static = 1e-6 * np.array(params.sensitivity_urad_per_m_s2)  # (2, 3)

    @cached_property
    def _section(self) -> ResonatorSection:
        """Worked out when it is first shaken."""
        return ramp_invariant(self.params.resonance_hz, self.params.quality, self._tick_s)

    def initial_state(self) -> SectionState:
        """Return the state of a bracket at rest."""
        return initial_state(2)

    def advance(
        self, state: SectionState, acceleration_m_s2: ArrayLike
    ) -> tuple[SectionState, Array]:
        """Return the shift over one block; exact for acceleration that is linear between ticks.

        Parameters
        ----------
        state : SectionState
            From `initial_state` or the block before; not changed.
        acceleration_m_s2 : (K + 1, 3) array_like
            Base acceleration at the block's tick edges; its first row is the last row of the
            block before. [m/s^2]

        Returns
        -------
        state : SectionState
            At the block's last edge.
        shift_rad : (K + 1, 2) ndarray
            Shift of the camera's frame at the edges, as mirror tilt. [rad]

        Raises
        ------
        ValueError
            If the acceleration is not (K + 1, 3).
        """
        acceleration = np.asarray(acceleration_m_s2, dtype=float)
        if acceleration.ndim != 2 or acceleration.shape[1] != 3:
            raise ValueError(f"acceleration_m_s2 must be (K + 1, 3), got {acceleration.shape}")
        return respond(self._section, state, acceleration @ self._static.T)
