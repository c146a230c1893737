"""A mirror whose amplifier oscillates."""

from typing import Annotated, Literal

import numpy as np

from sim.events.on_mirrors import OnMirrorsParams, WhileItLasts
from sim.events.when import Flags, tick_times_s
from sim.foundations.errors import ScenarioError
from sim.foundations.params import between
from sim.foundations.ports import EventSite, Faults


class MirrorOscillatingParams(OnMirrorsParams):
    """Amplifiers that add a sine to what they are asked for.

    The mirror makes of it what its resonance makes: the amplitude is that of the static tilt.
    Valid below half of the drive's update rate.
    """

    kind: Literal["mirror_oscillating"]
    amplitude_urad: Annotated[float, between(1e-3, 1e5)]
    """Amplitude of the static tilt. [urad]"""
    frequency_hz: Annotated[float, between(1e-3, 1e7)]
    """Frequency. [Hz]"""


class MirrorOscillating(WhileItLasts):
    """Amplifiers that oscillate, in phase from the start of the event."""

    Params = MirrorOscillatingParams

    def __init__(self, params: MirrorOscillatingParams, site: EventSite) -> None:
        """Find the mirrors.

        Raises
        ------
        ScenarioError
            If updates of the drive are too far apart for the frequency.
        """
        most_hz = 0.5 / site.clock.tick_s
        if params.frequency_hz >= most_hz:
            raise ScenarioError(
                f"frequency_hz: must be below half of the drive's update rate, {most_hz:g} Hz "
                f"(got {params.frequency_hz:g})"
            )
        super().__init__(f"oscillating at {params.frequency_hz:g} Hz", params, site)
        self._amplitude = 1e-6 * params.amplitude_urad
        self._rate = 2.0 * np.pi * params.frequency_hz

    def in_ticks(self, frame: int, ticks: Flags) -> Faults:
        """Return the sine that is added."""
        since_s = tick_times_s(self.clock, frame) - self.span.from_s
        sine = np.where(ticks, self._amplitude * np.sin(self._rate * since_s), 0.0)
        return Faults(asked_rad=sine[:, None, None] * self.which)
