"""What is known before a log is read: nominal values and timing, from a scenario or by default."""

import math
from typing import NamedTuple

from sim.scenario.model import Scenario
from sim.studies.identify.response import FrameTiming


class Prior(NamedTuple):
    """Nominal mirror and timing; intervals do not lean on it, start values do."""

    resonance_hz: tuple[float, float] | None
    """(x, y); None: searched for over the whole band."""
    quality: tuple[float, float]
    delay_s: float
    """From a frame's start to the correction made from it. [s]"""
    exposure_s: float
    amplifier_s: float
    frame_s: float | None
    """Frame period of the camera; a series at another rate is taken as sampled at instants. [s]"""
    cubic_per_rad2: tuple[float, float] | None
    single_sided: bool

    def timing(self, period_s: float) -> FrameTiming:
        """Return the timing of a series with a period."""
        by_frame = self.frame_s is not None and abs(period_s / self.frame_s - 1.0) < 1e-3
        return FrameTiming(period_s, self.exposure_s if by_frame else 0.0, self.amplifier_s)


UNKNOWN = Prior(None, (10.0, 10.0), 0.0, 0.0, 0.0, None, None, False)
"""Without a scenario: the exposure counts as part of the delay, the amplifier too."""


def prior_of(scenario: Scenario) -> Prior:
    """Return what a scenario says of its nominal mirror and its timing."""
    camera, drive = scenario.camera, scenario.drive
    tick_s = 1e-3 / drive.update_khz
    latency_s = 1e-6 * (camera.exposure_us + camera.latency_us)
    return Prior(
        resonance_hz=scenario.mirror.resonance_hz,
        quality=scenario.mirror.quality,
        delay_s=tick_s * math.ceil(latency_s / tick_s - 1e-6),
        exposure_s=1e-6 * camera.exposure_us,
        amplifier_s=1.0 / (2e3 * math.pi * drive.amplifier_khz),
        frame_s=1.0 / camera.frame_hz,
        cubic_per_rad2=scenario.mirror.cubic_per_rad2,
        single_sided=drive.comb == "single_sided",
    )
