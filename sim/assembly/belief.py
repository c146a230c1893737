"""Timing and mirror as the controller of a run believes them."""

import numpy as np

from sim.foundations.ports import Clock, PlantBelief
from sim.scenario.model import Scenario


def believed_plant(
    scenario: Scenario, clock: Clock, latency_ticks: int, lag_s: float
) -> PlantBelief:
    """Return what the design of a controller goes by: nominal values of the scenario.

    Parameters
    ----------
    scenario : Scenario
        As read.
    clock : Clock
        Of the run.
    latency_ticks : int
        From the start of the exposure until the correction acts. [ticks]
    lag_s : float
        Of the drive's amplifier. [s]
    """
    x, y = (float(2 * np.pi * value) for value in scenario.mirror.resonance_hz)
    quality_x, quality_y = scenario.mirror.quality
    return PlantBelief(
        frame_s=clock.frame_s,
        exposure_s=1e-6 * scenario.camera.exposure_us,
        latency_s=latency_ticks * clock.tick_s,
        tick_s=clock.tick_s,
        resonance_rad_s=(x, y),
        quality=(float(quality_x), float(quality_y)),
        amplifier_s=lag_s,
        limit_rad=1e-3 * min(scenario.drive.full_scale_mrad, *scenario.mirror.travel_mrad),
    )
