"""A fall from a height onto a floor, with its rebounds."""

from typing import Annotated, Any, Literal

import numpy as np
from pydantic import Field

from sim.foundations.params import between
from sim.foundations.ports import Array
from sim.mechanics.profiles.profile import (
    MEMORY,
    PRACTICE,
    STANDARD_GRAVITY_M_S2,
    EventParams,
    Expected,
    PlayedSpan,
    ProfileSite,
    ToleranceBand,
    peak_of,
    velocity_of,
    written,
)
from sim.mechanics.profiles.pulse import BAND, pulse_shape, tolerance_band

SLOWEST_M_S = 1e-3
"""Rebounds that begin slower are left out. [m/s]"""


class FreeFallParams(EventParams):
    """A fall: weightless at first, then a half-sine impact, then rebounds while they last.

    The direction is "up", the way of the floor's push. `level` multiplies the height.

    Valid up to 100 m, where air does not count yet for a heavy box; the floor's push is a half-
    sine, as if nothing broke.
    """

    kind: Literal["free_fall"]
    height_mm: Annotated[float, between(1e-3, 1e5)]
    """Height of the fall. [mm]"""
    impact_ms: Annotated[float, between(1e-3, 1e3)]
    """How long the floor pushes at each impact. [ms]"""
    restitution: Annotated[float, Field(ge=0.0, le=0.9)] = 0.0
    """Speed after an impact over the speed before it; 0: it stays down. [-]"""


class _Impact:
    """One impact: when it begins, and its peak."""

    def __init__(self, start_s: float, speed_m_s: float, back_m_s: float, length_s: float) -> None:
        self.start_s = start_s
        self.peak_m_s2 = (speed_m_s + back_m_s) * np.pi / (2.0 * length_s)


class FreeFall:
    """Acceleration against rest: -g while falling, half-sines that turn the speed round.

    A body at rest feels g upwards; that is part of how the switch was aligned, and what acts is the
    change against it. Peaks count from that too: a scale on the body would read g more.
    """

    Params = FreeFallParams

    def __init__(self, params: FreeFallParams, world: ProfileSite) -> None:
        """Lay out falls and impacts."""
        self.params = p = params
        g, length_s = STANDARD_GRAVITY_M_S2, 1e-3 * p.impact_ms
        height_m = 1e-3 * p.height_mm * p.level
        self.name = f"the fall of {1e3 * height_m:g} mm"
        speed = float(np.sqrt(2.0 * g * height_m))
        at = 1e-3 * p.start_ms
        self._falls: list[tuple[float, float]] = [(at, at + speed / g)]
        self._impacts: list[_Impact] = []
        self._length_s = length_s
        while True:
            back = p.restitution * speed
            back = back if back > SLOWEST_M_S else 0.0
            begin = self._falls[-1][1]
            self._impacts.append(_Impact(begin, speed, back, length_s))
            if not back:
                break
            end = begin + length_s
            self._falls.append((end, end + 2.0 * back / g))
            speed = back
        first = self._impacts[0]
        self.span = PlayedSpan(
            at, self._impacts[-1].start_s + length_s, first.start_s + 0.5 * length_s
        )
        self.highest_hz = 1.0 / length_s
        fall_s = self._falls[0][1] - at
        impact = float(np.sqrt(2.0 * g * height_m))
        peak = first.peak_m_s2
        self.expected = (
            Expected("speed at the first impact", "m/s", impact, 0.98 * impact, 1.02 * impact,
                     PRACTICE, self._speed),
            Expected("peak", "m/s^2", peak, (1 - BAND) * peak, (1 + BAND) * peak, MEMORY, peak_of),
            Expected("velocity at the end", "m/s", 0.0, -0.02 * impact, 0.02 * impact,
                     PRACTICE, velocity_of),
        )  # fmt: skip
        around = np.linspace(-0.4 * length_s, 1.1 * length_s, 301)
        low, high = tolerance_band("half_sine", peak, length_s, around)
        fall = np.where(around < 0, -g, 0.0)
        self.bands = (
            ToleranceBand("time", first.start_s + around, 0.5 * (low + high) + fall, low + fall,
                 high + fall, MEMORY),
        )  # fmt: skip
        self.conditions: dict[str, Any] = {
            "kind": p.kind, "height_mm": 1e3 * height_m, "fall_ms": 1e3 * fall_s,
            "impact_speed_m_s": impact, "peak_m_s2": peak, "impact_ms": p.impact_ms,
            "impacts": len(self._impacts), "direction": written(p.direction),
            "starts_at_ms": p.start_ms,
        }  # fmt: skip

    def along(self, time_s: Array) -> Array:
        """Return (K,) acceleration along the direction. [m/s^2]

        Where a fall begins or ends between two times, the nearer of them counts: the floor's push
        begins at the impact.
        """
        total = np.zeros(len(time_s))
        for from_s, to_s in self._falls:
            total[(time_s >= from_s) & (time_s < to_s)] = -STANDARD_GRAVITY_M_S2
        for impact in self._impacts:
            phase = (time_s - impact.start_s) / self._length_s
            hit = (phase >= 0) & (phase <= 1)
            total[hit] = impact.peak_m_s2 * pulse_shape("half_sine", phase[hit])
        return total

    def _speed(self, time_s: Array, acceleration_m_s2: Array) -> float:
        before = time_s <= self._impacts[0].start_s
        return -velocity_of(time_s[before], acceleration_m_s2[before])
