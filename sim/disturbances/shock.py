"""A single shock pulse of a standard shape."""

from typing import Annotated, Any, ClassVar, Literal

import numpy as np
from pydantic import field_validator

from sim.foundations.errors import ScenarioError
from sim.foundations.params import Block, NonNegative, between
from sim.foundations.ports import Array, Effects, Event, Site
from sim.mechanics.profiles.profile import STANDARD_GRAVITY_M_S2, Axis, ProfileSite
from sim.mechanics.profiles.profile import unit_vector as unit_vector
from sim.mechanics.profiles.pulse import Pulse, peak_phase
from sim.mechanics.profiles.pulse import pulse_shape as pulse_shape
from sim.mechanics.profiles.pulse import tolerance_band as tolerance_band
from sim.mechanics.profiles.pulse import velocity_change_m_s as velocity_change_m_s
from sim.mechanics.profiles.pulse_train import PulseTrain, PulseTrainParams

VELOCITY_ERROR = 0.02
"""Largest relative error of velocity change that ticks may make of a pulse."""


class ShockParams(Block):
    """One pulse of base acceleration.

    Valid up to 10 000 g and 10 s: the severities of IEC 60068-2-27 end at 3000 g and 30 ms (from
    memory); slower motion is no shock.
    """

    LEVEL: ClassVar[str] = "peak_g"
    AIM: ClassVar[str] = "direction"

    kind: Literal["shock"]
    pulse: Pulse
    """Shape; the sawtooth peaks at its end, the trapezoid rises and falls in 10 % each. [-]"""
    peak_g: Annotated[float, between(1e-12, 1e4)]
    """Peak acceleration, in standard gravity (9.80665 m/s^2). [g]"""
    duration_ms: Annotated[float, between(1e-3, 1e4)]
    """Duration of the whole pulse. [ms]"""
    direction: Axis | tuple[float, float, float]
    """Way of the acceleration: "x", "-z" and so on, or a vector of any length. [-]"""
    start_ms: NonNegative
    """When the pulse begins. [ms]"""

    @field_validator("direction")
    @classmethod
    def _check_direction(cls, value: str | tuple[float, float, float]) -> object:
        if not isinstance(value, str) and not np.linalg.norm(value) > 0:
            raise ValueError(f"direction must not be the zero vector, got {list(value)}")
        return value


class Shock:
    """Base acceleration of one pulse, as its value at each tick.

    References
    ----------
    .. [1] IEC 60068-2-27:2008, Environmental testing, Test Ea: shock (the three shapes).
    """

    Params = ShockParams
    worth_a_picture = True

    def __init__(self, params: ShockParams, site: Site) -> None:
        """Place the pulse in the run.

        Parameters
        ----------
        params : ShockParams
            The pulse.
        site : Site
            The run.

        Raises
        ------
        ScenarioError
            If ticks are too coarse: the velocity change at ticks would be off by more than 2 %.
        """
        self.params = params
        self._clock = site.clock
        self._start_s = 1e-3 * params.start_ms
        self._duration_s = 1e-3 * params.duration_ms
        self._peak_m_s2 = STANDARD_GRAVITY_M_S2 * params.peak_g * unit_vector(params.direction)
        self._check_ticks()
        end_s = self._start_s + self._duration_s
        run_s = self._clock.frame_s * self._clock.n_frames
        self.warnings: tuple[str, ...] = ()
        if end_s > run_s * (1 + 1e-12):
            self.warnings = (
                f"shock: the pulse would end at {end_s:.6g} s, the run ends at {run_s:.6g} s",
            )

    @property
    def event(self) -> Event:
        """The pulse; its peak is at its end for a sawtooth, else in its middle."""
        part = peak_phase(self.params.pulse)
        start, length = self._start_s, self._duration_s
        return Event(
            f"the {self.params.pulse.replace('_', '-')} shock",
            start,
            start + length,
            start + part * length,
        )

    @property
    def conditions(self) -> dict[str, Any]:
        """What is filed of the pulse."""
        p = self.params
        change = velocity_change_m_s(
            p.pulse, STANDARD_GRAVITY_M_S2 * p.peak_g, self._duration_s
        )
        direction = p.direction if isinstance(p.direction, str) else list(p.direction)
        return {
            "kind": "shock",
            "pulse": p.pulse.replace("_", "-"),
            "peak_g": p.peak_g,
            "duration_ms": p.duration_ms,
            "direction": direction,
            "starts_at_ms": p.start_ms,
            "velocity_change_m_s": change,
        }

    @property
    def profile(self) -> PulseTrain:
        """The pulse as a train of one, with its nominal figures and bands."""
        p = self.params
        one = PulseTrainParams.model_construct(
            kind=p.kind, direction=p.direction, level=1.0, start_ms=p.start_ms, pulse=p.pulse,
            peak_g=p.peak_g, duration_ms=p.duration_ms, count=1, period_ms=p.duration_ms,
            senses="same",
        )  # fmt: skip
        return PulseTrain(one, ProfileSite((0, 0), 0.0))

    def _check_ticks(self) -> None:
        tick_s = self._clock.tick_s
        first = int(np.floor(self._start_s / tick_s))
        count = int(np.ceil(self._duration_s / tick_s)) + 3
        shape = self._shape(tick_s * np.arange(first, first + count, dtype=np.float64))
        ideal = velocity_change_m_s(self.params.pulse, 1.0, self._duration_s)
        error = tick_s * shape.sum() / ideal - 1.0
        if abs(error) > VELOCITY_ERROR:
            raise ScenarioError(
                f"shock: at ticks of {1e6 * tick_s:g} us the pulse's velocity change must be right "
                f"within {VELOCITY_ERROR:.0%}, a {self.params.pulse} of "
                f"{self.params.duration_ms:g} ms is {error:+.1%} off; "
                "lengthen it or shorten the tick"
            )

    def _shape(self, time_s: Array) -> Array:
        return pulse_shape(self.params.pulse, (time_s - self._start_s) / self._duration_s)

    def initial_state(self) -> None:
        """Return nothing: the pulse follows from the time alone."""
        return None

    def slow_state(self) -> None:
        """Return nothing."""
        return None

    def slow(self, state: None, time_s: Array) -> tuple[None, Effects]:
        """Return nothing: an event of seconds is an episode of a life, not a part of its course."""
        return None, Effects()

    def advance(self, state: None, first_frame: int, n_frames: int) -> tuple[None, Effects]:
        """Return the base acceleration over the block."""
        time_s = self._clock.tick_times_s(first_frame, n_frames)
        return None, Effects(acceleration_m_s2=self._shape(time_s)[:, None] * self._peak_m_s2)
