"""Frames under even light: how each pixel responds, and which do not."""

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.calibration.dark import OUTLIER, TO_DEVIATION, DarkFrames, mean_and_variance
from sim.calibration.procedure import SENSORS, SURE, Cameras, Estimate, foreseen, saturation_e
from sim.calibration.settings import CalibrationParams
from sim.foundations.ports import Array

NAME: Final = "flat frames"
FIRST: Final = 100_000
"""Number of the first of these frames."""
HALF: Final = 0.5
"""A pixel with less than this response, or with more than 1 over it, is bad."""


class FlatFrames(NamedTuple):
    """What frames under even light say of one sensor."""

    response: Array
    """(H, W) response over the mean one; 1 where a pixel is bad. [-]"""
    strange: NDArray[np.bool_]
    """(H, W) pixels that do not respond, or far too much."""
    bad: NDArray[np.bool_]
    """(H, W) pixels that are not used: those, and the hot ones."""
    error: float
    """Foreseen error of a pixel's response, rms. [-]"""


def flat_frames(
    cameras: Cameras, sensor: int, settings: CalibrationParams, dark: DarkFrames
) -> FlatFrames:
    """Take frames under even light, and divide what they show by its mean.

    The noise that is left in the mean of the frames goes into the map. A pixel is bad if it
    responds by less than `HALF` of the others, or by more than twice, and not by chance.
    """
    light_e = 0.01 * settings.flat_level_pct * saturation_e(cameras.params)
    mean, variance = mean_and_variance(cameras, sensor, light_e, FIRST, settings.flat_frames)
    signal = mean - dark.level_dn
    ratio = signal / float(np.median(signal[~dark.hot]))
    spread = TO_DEVIATION * float(np.median(np.abs(ratio - 1.0)))
    strange = (ratio < HALF) | (ratio > 1 / HALF)
    strange &= np.abs(ratio - 1.0) > OUTLIER * spread
    bad = dark.hot | strange
    level = signal[~bad].mean()
    noise = variance[~bad].mean() / settings.flat_frames + dark.variance_dn2 / settings.dark_frames
    return FlatFrames(
        np.where(bad, 1.0, signal / level), strange, bad, float(np.sqrt(noise) / level)
    )


def flat_estimates(cameras: Cameras, found: tuple[FlatFrames, ...]) -> list[Estimate]:
    """Return non-uniformity and error of the maps of each sensor, against the truth.

    The non-uniformity is the scatter of the map less that of its noise; its interval is that of a
    variance of so many independent pixels.
    """
    rows = []
    for sensor, each in zip(SENSORS, found, strict=True):
        name, good = "AB"[sensor], ~each.bad
        response, _, _ = cameras.pattern_of(sensor)
        true = response / response[good].mean()
        total = float(each.response[good].var())
        half = SURE * total * np.sqrt(2.0 / good.sum())
        own = total - each.error**2
        low, value, high = (
            100.0 * float(np.sqrt(max(own + off, 0.0))) for off in (-half, 0.0, half)
        )
        rows += [
            Estimate(NAME, f"response non-uniformity, {name}", "%", value, low, high,
                     100.0 * float(true[good].std())),
            foreseen(NAME, f"response of a pixel, error, {name}", "% rms", 100.0 * each.error,
                     100.0 * float((each.response - true)[good].std())),
            foreseen(NAME, f"dead pixels found, {name}", "", each.strange.sum(),
                     (response < HALF).sum()),
        ]  # fmt: skip
    return rows
