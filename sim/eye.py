"""From the path of each spot to a reading: the camera's pixels and the estimator that looks."""

from types import ModuleType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sim.camera import Camera, CameraParams, believed, make_camera
from sim.estimators.reading import judged
from sim.ports import Array, Estimator, SpotReading
from sim.rng import Stream

NOISE = {"none": 0, "fast": 1, "exact": 2}


class Eye:
    """Renders the windows of a fleet and reads them, with the estimator or with fused sums.

    The thresholded centre of gravity comes out of the kernel as whole-number sums, without frames
    in between; any other estimator gets the very same frames.
    """

    def __init__(
        self,
        params: CameraParams,
        mirrors: NDArray[np.int64],
        seed: int,
        estimator: Estimator,
        fused: dict[str, Any] | None,
        kernels: ModuleType,
    ) -> None:
        self.camera: Camera = make_camera(params)
        self.window_px = params.window_px
        self.mirrors = mirrors
        self.seed = seed
        self.estimator = estimator
        self.fused = fused
        self.kernels = kernels
        self.noise = NOISE[params.noise]
        self._belief = believed(self.camera)
        self._frames = np.zeros((len(mirrors), *params.window_px), np.int32)
        self._sums = np.zeros((len(mirrors), 3), np.int64)

    def frames(self, position_px: Array, frame: int) -> NDArray[np.int32]:
        """Return the frames (M, H, W) [DN] of spots that move along (S, 2, M) [px]."""
        self._expose(position_px, frame, keep=True)
        return self._frames

    def read(self, position_px: Array, frame: int) -> SpotReading:
        """Return one reading per mirror for spots that move along (S, 2, M) [px]."""
        if self.fused is None:
            return self.estimator(self.frames(position_px, frame), camera=self._belief)
        self._expose(position_px, frame, keep=False)
        flux = self._sums[:, 0].astype(np.float64)
        spot = np.full((len(flux), 2), np.nan)
        np.divide(self._sums[:, 1:], flux[:, None], out=spot, where=flux[:, None] > 0)
        return judged(
            spot,
            flux,
            light_dn=flux,
            shape=self.window_px,
            min_flux_dn=self.fused["min_flux_dn"],
            edge_px=self.fused["edge_px"],
        )

    def _expose(self, position_px: Array, frame: int, *, keep: bool) -> None:
        threshold = 0 if self.fused is None else self.fused["threshold_dn"]
        self.kernels.expose(
            self._frames, self._sums, position_px, self.mirrors, frame, self.camera, self.noise,
            self.seed, int(Stream.PIXELS), threshold, keep,
        )  # fmt: skip
