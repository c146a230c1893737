"""What a calibration adds to a firmware in C, in the simulated loop."""

import ctypes
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sim.camera.lens import Lens
from sim.camera.pixel_correction import PixelMaps, on_maps
from sim.firmware.calibrated.guard import FixedGuard, GuardWords
from sim.firmware.calibrated.lens import FixedLens, LensWords
from sim.firmware.calibrated.source import MAPS
from sim.firmware.folder import Folder
from sim.firmware.native import at, int32_words, library_of
from sim.firmware.rounding import Whole
from sim.foundations.errors import PlugInError
from sim.foundations.files.text import counted
from sim.foundations.ports import Array


class NativePixelCorrection:
    """Windows corrected by a firmware in C, with its own maps."""

    def __init__(
        self, folder: Folder, maps: PixelMaps, sensor: NDArray[np.int64],
        home_px: NDArray[np.int64], warnings: tuple[str, ...] = (),
    ) -> None:  # fmt: skip
        """Compile it.

        Parameters
        ----------
        folder : Folder
            Of the firmware.
        maps : PixelMaps
            Of the run: their size alone is used.
        sensor, home_px
            (M,) that sees each mirror, and (M, 2) where the spot of each untilted mirror is on it.
        warnings : tuple of str
            What is to be said.

        Raises
        ------
        PlugInError
            If its maps are not there, or of another size.
        CompilerError
            If it cannot be compiled.
        """
        self.warnings = warnings
        self._library = library_of(folder)
        self._maps, self._sensor, self._home = maps, sensor, home_px
        self._words: NDArray[np.uint16] | None = None
        if folder.port.calibrated.maps:
            self._words = _read_maps(folder, maps.bad.shape)
        self._corner = np.full((len(sensor), 2), np.nan)
        self._own = np.zeros(0, np.uint16)

    def corrected(self, frames_dn: NDArray[np.int32], corner_px: Array) -> NDArray[np.int32]:
        """Return windows (M, H, W) [DN], with first pixels (M, 2), as the estimator gets them."""
        count, height, width = frames_dn.shape
        if self._words is not None and not np.array_equal(corner_px, self._corner):
            places = on_maps(self._maps, self._sensor, corner_px, (height, width))
            self._own = np.ascontiguousarray(self._words[places])
            self._corner = corner_px.copy()
        raw = np.ascontiguousarray(frames_dn, dtype=np.uint16)
        origin = int32_words(corner_px.astype(np.int64) - self._home)
        found = np.zeros(raw.shape, np.uint16)
        self._library.port_pixels(count, at(raw), at(origin), at(self._own), at(found))
        return found.astype(np.int32)


def _read_maps(folder: Folder, shape: tuple[int, ...]) -> NDArray[np.uint16]:
    path = folder.path / MAPS
    if not path.is_file():
        raise PlugInError(f"{path}: is missing, and the firmware corrects pixels by it")
    words = np.fromfile(path, "<u2")
    if words.size != 2 * int(np.prod(shape)):
        raise PlugInError(
            f"{path}: must hold {2 * int(np.prod(shape))} words, two a pixel of "
            f"{counted(shape[0], 'sensor')} of {shape[1]} x {shape[2]} (got {words.size})"
        )
    return words.reshape(*shape, 2).astype(np.uint16)


class NativeLens(FixedLens):
    """The way from spots to tilts of a firmware in C."""

    def __init__(
        self, folder: Folder, lens: Lens, words: LensWords, scale_px_per_rad: float,
        warnings: tuple[str, ...] = (),
    ) -> None:  # fmt: skip
        """Compile it; of the run's words the format alone is used.

        Raises
        ------
        CompilerError
            If it cannot be compiled.
        """
        super().__init__(lens, words, scale_px_per_rad)
        self.warnings = warnings
        self._library = library_of(folder)

    def straightened(self, position: Whole) -> tuple[Whole, NDArray[np.bool_]]:
        """Return words of positions in a perfect picture, and which there are."""
        found, there = int32_words(position).copy(), np.zeros(len(position), np.uint8)
        self._library.port_straighten(len(found), at(found), at(there))
        return found.astype(np.int64), there.astype(bool)


class NativeGuard(FixedGuard):
    """The guard of a firmware in C."""

    def __init__(
        self, folder: Folder, words: GuardWords, warnings: tuple[str, ...] = ()
    ) -> None:
        """Compile it; of the run's words the formats alone are used.

        Raises
        ------
        CompilerError
            If it cannot be compiled.
        """
        super().__init__(words)
        self.warnings = warnings
        self._library: ctypes.CDLL = library_of(folder)

    def doubted(
        self, origin: Whole, position: Whole, light: Whole, expected: Whole
    ) -> NDArray[np.bool_]:
        """Return which readings (M,) of all mirrors are doubted, from words."""
        own: list[NDArray[Any]] = [int32_words(w) for w in (origin, position, expected)]
        lights = np.ascontiguousarray(light, np.int64)
        found = np.zeros(len(lights), np.uint8)
        self._library.port_doubt(
            len(found), at(own[0]), at(own[1]), at(lights), at(own[2]), at(found)
        )
        return found.astype(bool)
