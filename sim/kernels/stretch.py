"""A stretch of F frames that the whole loop goes through in one call, as `run_frames` takes it."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.camera.equivalent_noise import NoiseTable
from sim.camera.exposure import ReadingRule, Readings, Sampling
from sim.camera.settings import Camera
from sim.foundations.ports import Array
from sim.kernels.observed import ErrorTraces, LossTraces, ReadingTraces
from sim.mirror.propagator import Drive, Fleet
from sim.optics.beams import CoupledBeams


class Imaging(NamedTuple):
    """The camera and what reads it."""

    sampling: Sampling
    camera: Camera
    sigma_px: Array
    """(F,) width of the spots in each frame, as temperature has it. [px]"""
    background_e: Array
    """(F,) the dark signal in it."""
    noise: int
    threshold_dn: int
    keep: bool
    """Whether the images of the last frame are wanted, besides their sums."""
    rule: ReadingRule
    drawn: bool
    """Readings come from the table, not from images."""
    table: NoiseTable
    pixel_stream: int
    reading_stream: int


class Setup(NamedTuple):
    """Mirrors, drive and camera: what the kernels do not change."""

    seed: int
    amplifier_stream: int
    mirrors: NDArray[np.int64]
    fleet: Fleet
    drive: Drive
    imaging: Imaging


class Paths(NamedTuple):
    """Commanded paths of F frames, or of one that holds for all."""

    asked_rad: Array
    """(F, N, 2, M), or (F, 1, 2, M) where it holds for all ticks."""
    reference_rad: Array
    """(F, 2, M), as the two below."""
    lowest_rad: Array
    highest_rad: Array
    origin_px: Array
    """(F, 2, M)"""


class Inputs(NamedTuple):
    """What surrounds the mirrors in the frames of one call; see `Environment`."""

    first_frame: int
    acceleration: Array
    sensor: Array
    rest: Array
    gain: Array


class ObservedLimits(NamedTuple):
    """What errors and losses are held against, and the traces that they go to."""

    aim_rad: Array
    """(2, M)"""
    tolerance_rad: float
    pairs: NDArray[np.int64]
    """(C, 2)"""
    form_db: Array
    """(C, 4, 4) [dB/rad^2]"""
    beams: CoupledBeams
    """What the loss of a connection comes from beyond its form."""
    outage_db: float
    errors: ErrorTraces
    losses: LossTraces
    readings: ReadingTraces


class Pieces(NamedTuple):
    """A stretch cut into pieces, which threads take in one order, each when it is free.

    Turn by turn: some frames of each block of mirrors, then those of the turn before of each block
    of connections. Each piece needs some that come earlier in the order; by the time that it is
    taken they are nearly always done.
    """

    taken: NDArray[np.int64]
    """(1,) how many are taken."""
    done: NDArray[np.int64]
    """(B + C, 8) turns that each block of mirrors, then of connections, is through; in column 0."""
    order: NDArray[np.int64]
    """(B,) blocks of mirrors as they are taken."""
    losses_order: NDArray[np.int64]
    """(C,) blocks of connections."""
    at_once: int
    """Frames in a turn."""


class Scratch(NamedTuple):
    """Room to work in."""

    history: Array
    """(F or more, N + 1, 2, M) tilts at the tick edges of each frame. [rad]"""
    noise: NDArray[np.float32]
    position: Array
    frames: NDArray[np.int32]
    sums: NDArray[np.int64]
    readings: Readings
    tilt: Array
    z: NDArray[np.float32]
    beyond: NDArray[np.int64]
    """(M,) frame in which a spot first was beyond the noise table; -1: never."""
