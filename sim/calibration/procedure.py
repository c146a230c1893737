"""What every procedure of a calibration has: the switch it works on, and what it finds."""

from types import ModuleType
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.camera.exposure import Images, PixelNoise
from sim.camera.measurement import image_noise
from sim.camera.mosaic import flat_field
from sim.camera.sensor import FixedPattern, Layout, make_scene
from sim.camera.settings import CameraParams, make_camera
from sim.foundations.ports import Array
from sim.foundations.rng import Stream

SURE: Final = 1.959963984540054
"""Standard deviations on either side of an interval of 95 %."""
FIRST_FRAME: Final = 1 << 30
"""Frames of a calibration are numbered from here, so that no run draws their noise again."""


class Estimate(NamedTuple):
    """One quantity that a procedure found."""

    procedure: str
    quantity: str
    unit: str
    value: float
    low: float | None
    """Ends of the interval that holds the truth in 95 % of calibrations; None: a count, or an
    error that is foreseen for a whole map."""
    high: float | None
    truth: float
    """What the simulation put in; of an error, what it is."""

    @property
    def holds(self) -> bool | None:
        """Whether the interval holds the truth; None if there is none."""
        if self.low is None or self.high is None:
            return None
        return self.low <= self.truth <= self.high


def estimate(
    procedure: str, quantity: str, unit: str, value: float, deviation: float, truth: float
) -> Estimate:
    """Return an estimate with a normal interval."""
    return Estimate(
        procedure, quantity, unit, float(value), float(value - SURE * deviation),
        float(value + SURE * deviation), float(truth),
    )  # fmt: skip


def foreseen(
    procedure: str, quantity: str, unit: str, value: float, truth: float
) -> Estimate:
    """Return a count, or an error that is foreseen for a whole map."""
    return Estimate(procedure, quantity, unit, float(value), None, None, float(truth))


class Cameras(NamedTuple):
    """The cameras of both arrays, as they are."""

    params: CameraParams
    layout: Layout
    pattern: FixedPattern
    seed: int
    """Names the noise."""
    kernels: ModuleType

    def pattern_of(self, sensor: int) -> tuple[Array, Array, Array]:
        """Return response, dark electrons and offset (H, W) of the pixels of a sensor."""
        k = min(sensor, len(self.pattern.dark) - 1)
        shape = self.layout.shape
        response, dark, offset = (
            np.broadcast_to(part[k].astype(np.float64), shape) for part in self.pattern
        )
        return response, dark, offset

    def even_light(self, sensor: int, electrons: float, frame: int) -> NDArray[np.int32]:
        """Return one image (H, W) of a sensor under even light. [DN]"""
        return flat_field(
            self.params, self.layout, electrons / self.params.quantum_efficiency, seed=self.seed,
            kernels=self.kernels, array=sensor, frame=FIRST_FRAME + frame, pattern=self.pattern,
        )  # fmt: skip

    def spots(
        self, sensor: int, place_px: Array, window_px: tuple[int, int], frame: int
    ) -> tuple[NDArray[np.int32], Array]:
        """Return windows (K, H, W) [DN] about still spots at places (K, 2), and their corners.

        Places are in pixels of the sensor, as are the corners (K, 2).
        """
        count = len(place_px)
        height, width = window_px
        corner = np.floor(place_px - 0.5 * np.array([width - 1, height - 1]) + 0.5)
        frames = np.zeros((count, height, width), np.int32)
        of_arrays = np.array([sensor * self.layout.ports])
        scene = make_scene(self.params, self.layout, of_arrays, self.pattern, spill=False)
        scene = scene._replace(
            spots=np.arange(count)[:, None], sensor=np.full(count, sensor), ghost=0.0
        )
        noise = PixelNoise(
            image_noise(self.params), FIRST_FRAME + frame, self.seed, int(Stream.PIXELS)
        )
        self.kernels.expose_scene(
            Images(frames, np.zeros((3, count), np.int64), 0, True),
            np.ascontiguousarray(place_px.T[None]),
            FIRST_DOT + sensor * MOST_DOTS + np.arange(count), make_camera(self.params), noise,
            corner, scene, 1.0,
        )  # fmt: skip
        return frames, corner


FIRST_DOT: Final = 1 << 24
MOST_DOTS: Final = 1 << 20
"""Dots of a plate are numbered above all mirrors, to name their noise."""
SENSORS: Final = (0, 1)
"""Of array A and of array B."""


def saturation_e(params: CameraParams) -> float:
    """Return the light at which a pixel saturates: at its well, or at the converter's end. [e-]"""
    end_e = (2**params.bits - 1 - params.black_dn) / params.gain_dn_per_e
    return float(min(params.full_well_e, end_e))
