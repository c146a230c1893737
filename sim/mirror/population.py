"""The mirrors: one population of two-axis resonators, each drawn by its own number."""

from typing import Annotated, NamedTuple, Self

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, model_validator

from sim.foundations.params import Block, between
from sim.foundations.ports import Array
from sim.foundations.rng import Stream, cut_normals
from sim.mirror.population_file import read_population

Imbalance = Annotated[float, between(-1e5, 1e5)]
Row = tuple[Imbalance, Imbalance, Imbalance]
Resonance = Annotated[float, between(1.0, 1e5)]
Quality = Annotated[float, between(0.1, 1e12)]
Cubic = Annotated[float, between(-1e4, 1e4)]
Cross = Annotated[float, between(-0.5, 0.5)]
Travel = Annotated[float, between(1e-3, 500.0)]


class MirrorParams(Block):
    """Nominal mirror and spread of the population; inner and outer axes differ.

    Valid for one resonance an axis between 1 Hz and 100 kHz and tilts up to 0.5 rad: beyond, other
    modes and the comb's own shape decide. A softening spring must still pull back at the stops, and
    spreads stay below 20 % so that no draw is negative at three standard deviations.
    """

    resonance_hz: tuple[Resonance, Resonance]
    """Undamped resonance, (x, y). [Hz]"""
    quality: tuple[Quality, Quality]
    """Quality factor, (x, y). [-]"""
    cubic_per_rad2: tuple[Cubic, Cubic]
    """Hardening stiffness k3: the spring's torque goes as tilt (1 + k3 tilt^2). [1/rad^2]"""
    cross_axis: tuple[Cross, Cross]
    """Share of the other axis' drive that reaches each axis, (y into x, x into y). [-]"""
    imbalance_rad_s2_per_m_s2: tuple[Row, Row]
    """Angular acceleration (rows x, y) per core acceleration (x, y, z). [(rad/s^2)/(m/s^2)]"""
    travel_mrad: tuple[Travel, Travel]
    """Mechanical stop, same both ways from rest, (x, y). [mrad]"""
    resonance_spread_pct: Annotated[float, Field(ge=0, le=20)]
    """Standard deviation of resonance over the population, per axis. [%]"""
    quality_spread_pct: Annotated[float, Field(ge=0, le=20)]
    """Standard deviation of the quality factor. [%]"""
    gain_spread_pct: Annotated[float, Field(ge=0, le=20)]
    """Standard deviation of the drive's tilt per volt, known from calibration. [%]"""
    imbalance_spread_rad_s2_per_m_s2: Annotated[float, between(0.0, 1e5)]
    """Standard deviation added to each entry of the imbalance. [(rad/s^2)/(m/s^2)]"""
    population: str | None = None
    """A file of measured mirrors, "population.csv" (a row for each mirror and axis, as `identify`
    writes it): their resonance, quality factor, gain, coupling and delay take the place of drawn
    and common ones; what it does not hold stays as it would be without the file."""
    alignment_urad: Annotated[float, between(0.0, 1e5)]
    """Standard deviation, per axis, of the tilt between where the firmware aims each beam and
    where it couples best: how well the switch was aligned. [urad]"""

    @model_validator(mode="after")
    def _spring_pulls_back(self) -> Self:
        for axis, cubic, travel in zip("xy", self.cubic_per_rad2, self.travel_mrad, strict=True):
            slope = 1.0 + 3.0 * cubic * (1e-3 * travel) ** 2
            if slope <= 0:
                raise ValueError(
                    f"cubic_per_rad2: the spring of axis {axis} must still stiffen outwards at "
                    f"the stops: 1 + 3 k3 travel^2 must be above 0 (got {slope:.3g})"
                )
        return self


class Population(NamedTuple):
    """The drawn mirrors; arrays are (M, 2) unless they say otherwise."""

    resonance_rad_s: Array
    quality: Array
    gain_ratio: Array
    """Tilt per volt over the nominal one. [-]"""
    calibration_ratio: Array
    """Believed over true tilt per volt. [-]"""
    imbalance: Array
    """(M, 2, 3) [(rad/s^2)/(m/s^2)]"""
    alignment_rad: Array
    """Believed aim minus true aim. [rad]"""
    cross_axis: Array
    """Share of the other axis' drive that reaches each axis. [-]"""
    delay_s: Array
    """Measured time from a frame's start until its correction acts; NaN: that of the firmware,
    exposure and latency. [s]"""


def draw_population(
    params: MirrorParams, mirrors: NDArray[np.int64], seed: int, calibration_pct: float
) -> Population:
    """Draw mirrors by their numbers; one mirror is the same in whatever company.

    Normal distributions, cut off at three standard deviations so that no draw is impossible.

    Parameters
    ----------
    params : MirrorParams
        Nominal values and spreads.
    mirrors : (M,) ndarray of int
        Numbers of the mirrors in the switch.
    seed : int
        Of the run.
    calibration_pct : float
        Standard deviation of the drive's calibration error. [%]

    Returns
    -------
    Population
    """
    def draw(item: int) -> Array:
        return cut_normals((seed, Stream.POPULATION), mirrors, item)

    def spread(item: int, percent: float) -> Array:
        return 1.0 + 0.01 * percent * draw(item)

    resonance_hz = np.array(params.resonance_hz) * spread(0, params.resonance_spread_pct)
    quality = np.array(params.quality) * spread(1, params.quality_spread_pct)
    calibration_ratio = spread(3, calibration_pct)
    cross_axis = np.tile(np.array(params.cross_axis), (len(mirrors), 1))
    delay_s = np.full(cross_axis.shape, np.nan)
    if params.population is not None:
        measured = read_population(params.population, mirrors)
        resonance_hz = _known(measured["resonance_hz"], resonance_hz)
        quality = _known(measured["quality"], quality)
        calibration_ratio = _known(1.0 / measured["gain"], calibration_ratio)
        cross_axis = _known(measured["cross_axis"], cross_axis)
        delay_s = 1e-6 * measured["delay_us"]
    imbalance_draw = np.stack([draw(item) for item in (10, 11, 12)], axis=-1)  # (M, 2, 3)
    return Population(
        resonance_rad_s=2 * np.pi * resonance_hz,
        quality=quality,
        gain_ratio=spread(2, params.gain_spread_pct),
        calibration_ratio=calibration_ratio,
        imbalance=np.array(params.imbalance_rad_s2_per_m_s2)
        + params.imbalance_spread_rad_s2_per_m_s2 * imbalance_draw,
        alignment_rad=1e-6 * params.alignment_urad * draw(4),
        cross_axis=cross_axis,
        delay_s=delay_s,
    )


def _known(measured: Array, drawn: Array) -> Array:
    return np.where(np.isnan(measured), drawn, measured)
