"""Profiles of base acceleration as disturbances: read at the ticks, along their direction."""

from typing import Any, Final

import numpy as np

from sim.foundations.errors import ScenarioError
from sim.foundations.ports import Array, Effects, Event, Site
from sim.mechanics.profiles.profile import Profile, ProfileSite, unit_vector

TICKS_PER_PERIOD: Final = 4.0
"""Of the highest frequency; with fewer, straight lines between ticks lose a fifth of it."""
FINE_TICKS: Final = 10.0
"""With fewer it is said: straight lines between ticks then weaken a sine by over 3 %."""


class PlayedProfile:
    """Base acceleration of a profile."""

    kind: type[Any]
    """The profile."""
    worth_a_picture = True

    def __init__(self, params: Any, site: Site) -> None:
        """Place the profile in the run.

        Parameters
        ----------
        params : ProfileParams
            The profile's own settings.
        site : Site
            The run.

        Raises
        ------
        ScenarioError
            If the profile cannot be made as asked, or ticks are too coarse for it.
        """
        self.params = params
        self._clock = site.clock
        self._unit = unit_vector(params.direction)
        run_s = site.clock.frame_s * site.clock.n_frames
        try:
            self.profile: Profile = self.kind(params, ProfileSite(site.key, run_s))
        except ValueError as exc:
            raise ScenarioError(f"{params.kind}: {exc}") from exc
        self.warnings: tuple[str, ...] = tuple(self._said(run_s))

    def _said(self, run_s: float) -> Any:
        name, highest_hz = self.profile.name, self.profile.highest_hz
        ticks = 1.0 / (highest_hz * self._clock.tick_s)
        if ticks < TICKS_PER_PERIOD:
            raise ScenarioError(
                f"{self.params.kind}: at ticks of {1e6 * self._clock.tick_s:g} us the highest "
                f"frequency must be {1.0 / (TICKS_PER_PERIOD * self._clock.tick_s):g} Hz at most, "
                f"{name} reaches {highest_hz:g} Hz"
            )
        if ticks < FINE_TICKS:
            loss = 1.0 - float(np.sinc(1.0 / ticks)) ** 2
            yield (
                f"{name} has {ticks:.3g} ticks to a period of its highest frequency: straight "
                f"lines between ticks weaken it there by {loss:.1%}"
            )
        span = self.profile.span
        if span is not None and span.to_s > run_s * (1 + 1e-12):
            yield f"{name} would end at {span.to_s:.6g} s, the run ends at {run_s:.6g} s"

    @property
    def event(self) -> Event | None:
        """The profile, unless it goes on all the time."""
        span = self.profile.span
        return None if span is None else Event(self.profile.name, *span)

    @property
    def conditions(self) -> dict[str, Any]:
        """What is filed of the profile."""
        return dict(self.profile.conditions)

    def initial_state(self) -> None:
        """Return nothing: the profile follows from the time alone."""
        return None

    def slow_state(self) -> None:
        """Return nothing."""
        return None

    def slow(self, state: None, time_s: Array) -> tuple[None, Effects]:
        """Return nothing: an event is an episode of a life, steady vibration part of its jitter."""
        return None, Effects()

    def advance(self, state: None, first_frame: int, n_frames: int) -> tuple[None, Effects]:
        """Return the base acceleration over the block."""
        time_s = self._clock.tick_times_s(first_frame, n_frames)
        along: Array = self.profile.along(time_s)
        return None, Effects(acceleration_m_s2=along[:, None] * self._unit)


def played(profile: type[Any]) -> type[PlayedProfile]:
    """Return the disturbance that plays a kind of profile."""
    return type(
        profile.__name__,
        (PlayedProfile,),
        {"__doc__": profile.__doc__, "__module__": profile.__module__, "kind": profile,
         "Params": profile.Params},
    )  # fmt: skip
