"""From the path of each spot to a reading: the camera's pixels and the estimator that looks."""

import math
from functools import lru_cache
from types import ModuleType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sim.camera.equivalent_noise import NoiseTable
from sim.camera.exposure import Images, PixelNoise, ReadingRule, Readings, empty_readings
from sim.camera.pixel_correction import CorrectsPixels
from sim.camera.sensor import FixedPattern, Layout, make_layout, make_pattern, make_scene, on_sensor
from sim.camera.settings import Camera, CameraParams, believed, make_camera, window_origin
from sim.foundations.errors import PlugInError
from sim.foundations.ports import Array, CameraBelief, Estimator, SpotReading, reading_fault
from sim.foundations.rng import Stream

NOISE = {"none": 0, "fast": 1, "exact": 2}
BEYOND = 255
"""Status of a spot that the noise table does not cover; never leaves the loop."""


def image_noise(params: CameraParams) -> int:
    """Return the noise of the images that are made; `equivalent` makes some for its table."""
    if params.noise == "equivalent":
        return NOISE["fast" if params.read_noise_e >= 1.0 else "exact"]
    return NOISE[params.noise]


class Measurement:
    """Renders the windows of a fleet and reads them, with the estimator or with fused sums.

    The thresholded centre of gravity comes out of the kernel as whole-number sums, without frames
    in between; any other estimator gets the very same frames. Without a `layout`, all mirrors
    are on one square sensor. `seed` names the noise, `pattern_seed` what is fixed about the
    pixels (the same if left out); `belief` is what the firmware takes the camera for, and
    `correction` what it does to pixels before it reads them.
    """

    def __init__(
        self,
        params: CameraParams,
        mirrors: NDArray[np.int64],
        seed: int,
        estimator: Estimator,
        fused: dict[str, Any] | None,
        kernels: ModuleType,
        layout: Layout | None = None,
        *,
        pattern_seed: int | None = None,
        belief: CameraBelief | None = None,
        correction: CorrectsPixels | None = None,
    ) -> None:
        self.params = params
        self.camera: Camera = make_camera(params)
        self.window_px = params.window_px
        self.mirrors = mirrors
        self.seed = seed
        self.estimator = estimator
        self.fused = fused if correction is None else None
        sums = fused or {"threshold_dn": 0, "min_flux_dn": 0.0, "edge_px": 0.0}
        self.threshold_dn = int(sums["threshold_dn"])
        self.rule = ReadingRule(
            *params.window_px, float(sums["min_flux_dn"]), float(sums["edge_px"])
        )
        """When a reading from the fused sums counts."""
        self.kernels = kernels
        self.noise = image_noise(params)
        self.table: NoiseTable | None = None
        """Where readings are drawn from, if they are not taken from images."""
        if layout is None:
            ports = int(mirrors.max()) + 1
            layout = make_layout(params, ports, math.isqrt(ports - 1) + 1)
        self.layout = layout
        self.belief = believed(self.camera, params.dark_e) if belief is None else belief
        """What estimators are told of the camera."""
        self.correction = correction
        """What pixels go through before they are read; None: nothing."""
        self._frames = np.zeros((len(mirrors), *params.window_px), np.int32)
        self._sums = np.zeros((3, len(mirrors)), np.int64)
        self.scenic = params.patterned or params.stray
        self._uniform, self._uniform_at_k = self.uniform(0.0), 0.0
        self.centre_px = layout.centre(mirrors)
        self.neighbours = layout.neighbours(mirrors)
        """(M, 8) columns of each mirror's neighbours; -1: none."""
        fixed = seed if pattern_seed is None else pattern_seed
        self._pattern = _pattern(params, layout, fixed, int(layout.sensor(mirrors).max()) + 1)
        self._scene = make_scene(params, layout, mirrors, self._pattern, spill=params.spill)

    @property
    def pattern(self) -> FixedPattern:
        """How the pixels of the sensors differ."""
        return self._pattern

    def frames(
        self,
        position_px: Array,
        frame: int,
        origin_px: Array | None = None,
        temperature_k: float = 0.0,
        light: float = 1.0,
    ) -> NDArray[np.int32]:
        """Return the frames (M, H, W) [DN] of spots that move along a path.

        Parameters
        ----------
        position_px : (S, 2, M) ndarray
            Path of each spot over the exposure, in its window. [px]
        frame : int
            Frame number, which names the random numbers.
        origin_px : (M, 2) ndarray, optional
            First pixel of each window against the spot of an untilted mirror; without it, windows
            are centred there. Matters only where pixels or fields do. [px]
        temperature_k : float
            Above reference. [K]
        light : float
            Factor on the spots' light. [-]
        """
        self._expose(position_px, frame, origin_px, temperature_k, light, keep=True)
        return self._frames

    def read(
        self,
        position_px: Array,
        frame: int,
        origin_px: Array | None = None,
        temperature_k: float = 0.0,
        light: float = 1.0,
    ) -> SpotReading:
        """Return one reading per mirror; parameters as for `frames`.

        Spots that a noise table does not cover have the status `BEYOND`.
        """
        if self.table is not None:
            return self._drawn(self.table, position_px, frame)
        if self.fused is None:
            frames = self.frames(position_px, frame, origin_px, temperature_k, light).view()
            reading = self.reading_of(frames, origin_px)
            fault = reading_fault(reading, len(self.mirrors))
            if fault is not None:
                self._refuse(*fault, frame)
            return reading
        self._expose(position_px, frame, origin_px, temperature_k, light, keep=False)
        readings = empty_readings(len(self.mirrors))
        self.kernels.centres(readings, self._sums, self.rule)
        return _mirrors_first(readings)

    def reading_of(
        self, frames_dn: NDArray[np.int32], origin_px: Array | None = None
    ) -> SpotReading:
        """Return what the estimator makes of frames (M, H, W), their pixels corrected first.

        `origin_px` as for `frames`.
        """
        if self.correction is not None:
            corner_px = self._origin(origin_px) + self.centre_px
            frames_dn = self.correction.corrected(frames_dn, corner_px)
        frames_dn.setflags(write=False)
        return self.estimator(frames_dn, camera=self.belief)

    def _origin(self, origin_px: Array | None) -> Array:
        if origin_px is not None:
            return origin_px
        return window_origin(np.zeros((len(self.mirrors), 2)), self.window_px)

    def _refuse(self, column: int | None, text: str, frame: int) -> None:
        where = "" if column is None else f"mirror {self.mirrors[column]}, "
        at_ms = 1e3 * frame / self.params.frame_hz
        kind = getattr(self.estimator, "kind", "estimator")
        raise PlugInError(f'estimator "{kind}": {where}{at_ms:g} ms: {text}')

    def _drawn(self, table: NoiseTable, position_px: Array, frame: int) -> SpotReading:
        count = len(self.mirrors)
        z = np.zeros((1, 2, count), np.float32)
        self.kernels.fill_normals(z, self.mirrors, 0, frame, (self.seed, int(Stream.READINGS)))
        readings = empty_readings(count)
        self.kernels.draw_readings(readings, position_px, z, table)
        return _mirrors_first(readings)

    def fields(
        self,
        which: NDArray[np.int64],
        position_px: Array,
        frame: int,
        origin_px: Array,
        temperature_k: float = 0.0,
        light: float = 1.0,
    ) -> NDArray[np.int32]:
        """Return the whole fields (K, P, P) [DN] of some mirrors, neighbours' light included.

        Parameters
        ----------
        which : (K,) ndarray of int
            Columns of the fleet.
        position_px, frame, origin_px, temperature_k, light
            As for `frames`.
        """
        assert self.layout is not None
        pitch = self.layout.pitch_px
        scene = make_scene(self.params, self.layout, self.mirrors, self._pattern, spill=True)
        scene = scene._replace(spots=scene.spots[which], sensor=scene.sensor[which])
        frames = np.zeros((len(which), pitch, pitch), np.int32)
        self.kernels.expose_scene(
            Images(frames, np.zeros((3, len(which)), np.int64), 0, True),
            self._absolute(position_px, origin_px), self.mirrors[which],
            in_light(self._seen(temperature_k), light), self._noise(frame),
            self.layout.corner(self.mirrors[which]).astype(np.float64), scene,
            self.params.warmth(temperature_k),
        )  # fmt: skip
        return frames

    def _noise(self, frame: int) -> PixelNoise:
        return PixelNoise(self.noise, int(frame), self.seed, int(Stream.PIXELS))

    def _absolute(self, position_px: Array, origin_px: Array) -> Array:
        return np.ascontiguousarray(on_sensor(position_px, origin_px + self.centre_px))

    def _seen(self, temperature_k: float) -> Camera:
        """The camera at a temperature; dark signal is not in its background."""
        return self.camera._replace(sigma_px=self.params.blurred_px(temperature_k))

    def uniform(self, temperature_k: float) -> Camera:
        """Return the camera at a temperature, the dark signal in its background.

        That is all there is to it if pixels are alike.
        """
        camera = self._seen(temperature_k)
        dark_e = self.params.dark_e * self.params.warmth(temperature_k)
        return camera._replace(background_e=camera.background_e + dark_e)

    def _expose(
        self,
        position_px: Array,
        frame: int,
        origin_px: Array | None,
        temperature_k: float,
        light: float,
        *,
        keep: bool,
    ) -> None:
        images = Images(self._frames, self._sums, self.threshold_dn, keep)
        noise = self._noise(frame)
        if not self.scenic:
            if temperature_k != self._uniform_at_k:
                self._uniform, self._uniform_at_k = self.uniform(temperature_k), temperature_k
            camera = in_light(self._uniform, light)
            self.kernels.expose(images, position_px, self.mirrors, camera, noise)
            return
        origin_px = self._origin(origin_px)
        self.kernels.expose_scene(
            images, self._absolute(position_px, origin_px), self.mirrors,
            in_light(self._seen(temperature_k), light), noise, origin_px + self.centre_px,
            self._scene, self.params.warmth(temperature_k),
        )  # fmt: skip


def in_light(camera: Camera, light: float) -> Camera:
    """Return the camera with its spots' light times a factor; background and dark signal stay."""
    return camera if light == 1.0 else camera._replace(signal_e=camera.signal_e * light)


@lru_cache(maxsize=2)
def _pattern(params: CameraParams, layout: Layout, seed: int, sensors: int) -> FixedPattern:
    """Draw the pixels, or return those drawn for the same sensors before; they are only read."""
    return make_pattern(params, layout, seed, sensors)


def _mirrors_first(readings: Readings) -> SpotReading:
    spot, flux, status = readings
    return SpotReading(np.ascontiguousarray(spot.T), flux, status)
