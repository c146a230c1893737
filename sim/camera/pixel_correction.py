"""What the firmware does to pixels before it reads them: dark level, response, bad pixels."""

from typing import NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray

from sim.foundations.ports import Array

NEIGHBOURS = tuple((dy, dx) for dy in (-1, 0, 1) for dx in (-1, 0, 1) if dy or dx)


class PixelMaps(NamedTuple):
    """What a calibration knows of the pixels of S sensors of H by W; None: not measured."""

    bad: NDArray[np.bool_]
    """(S, H, W) pixels that are replaced by the mean of their good neighbours in the window."""
    dark_dn: NDArray[np.float32] | None
    """(S, H, W) dark level of each pixel against that of its sensor. [DN]"""
    response: NDArray[np.float32] | None
    """(S, H, W) response to light over the mean response. [-]"""


class CorrectsPixels(Protocol):
    """Stands between the camera and the estimator."""

    def corrected(self, frames_dn: NDArray[np.int32], corner_px: Array) -> NDArray[np.int32]:
        """Return windows (M, H, W) [DN], with first pixels (M, 2), as the estimator gets them."""
        ...


class PixelCorrection:
    """Corrects windows by maps of the sensors' pixels; it keeps working memory alone.

    A corrected pixel is (dn - dark level) / response + black level, rounded to a whole number and
    clipped to the converter's range: rounding adds 1/12 DN^2 of variance, as in a real one. A bad
    pixel whose neighbours in the window are all bad keeps what it reads.
    """

    def __init__(
        self, maps: PixelMaps, sensor: NDArray[np.int64], black_dn: float, full_scale_dn: int
    ) -> None:
        """Take the maps, the sensor (M,) of each window, and the range of the converter."""
        self._maps, self._sensor = maps, sensor
        self._black_dn, self._full_scale_dn = np.float32(black_dn), full_scale_dn
        self._corner = np.full((len(sensor), 2), np.nan)
        self._dark = self._gain = np.zeros(0, np.float32)
        self._places: tuple[NDArray[np.int64], ...] = ()
        self._good = np.zeros((0, 0), bool)

    def corrected(self, frames_dn: NDArray[np.int32], corner_px: Array) -> NDArray[np.int32]:
        """Return windows (M, H, W) [DN] as the estimator gets them.

        Parameters
        ----------
        frames_dn : (M, H, W) ndarray of int32
            As read; not changed. [DN]
        corner_px : (M, 2) ndarray
            First sensor pixel (x, y) of each window. [px]
        """
        if not np.array_equal(corner_px, self._corner):
            self._look_up(corner_px, frames_dn.shape[1:])
        whole = self.straightened(frames_dn)
        window, y, x = self._places
        if len(window):
            self._replace(whole, window, y, x)
        return whole

    def straightened(self, frames_dn: NDArray[np.int32]) -> NDArray[np.int32]:
        """Return windows with dark level and response taken out, bad pixels as they read. [DN]"""
        corrected = frames_dn.astype(np.float32)
        if len(self._dark):
            corrected -= self._black_dn + self._dark
            corrected *= self._gain
            corrected += self._black_dn
        return np.clip(np.floor(corrected + 0.5), 0, self._full_scale_dn).astype(np.int32)

    def look_up(self, at: tuple[NDArray[np.int64], ...]) -> None:
        """Keep what the maps say of dark level and response of pixels (sensor, y, x)."""
        maps = self._maps
        if maps.dark_dn is not None and maps.response is not None:
            self._dark = maps.dark_dn[at]
            self._gain = np.float32(1.0) / maps.response[at]

    def _look_up(self, corner_px: Array, shape: tuple[int, ...]) -> None:
        """Find what the maps say of the pixels of all windows."""
        height, width = shape
        at = on_maps(self._maps, self._sensor, corner_px, (height, width))
        bad = self._maps.bad[at]
        self.look_up(at)
        self._places = tuple(np.nonzero(bad))
        window, row, column = self._places
        good = []
        for dy, dx in NEIGHBOURS:
            there = (row + dy >= 0) & (row + dy < height) & (column + dx >= 0)
            there &= column + dx < width
            beside = bad[window, (row + dy) % height, (column + dx) % width]
            good.append(there & ~beside)
        self._good = np.array(good)
        self._corner = corner_px.copy()

    def _replace(
        self, frames: NDArray[np.int32], window: NDArray[np.int64], y: NDArray[np.int64],
        x: NDArray[np.int64],
    ) -> None:  # fmt: skip
        """Put the rounded mean of good neighbours in the place of bad pixels."""
        height, width = frames.shape[1:]
        total = np.zeros(len(window), np.int64)
        for good, (dy, dx) in zip(self._good, NEIGHBOURS, strict=True):
            total += np.where(good, frames[window, (y + dy) % height, (x + dx) % width], 0)
        count = self._good.sum(axis=0)
        mean = np.floor(total / np.maximum(count, 1) + 0.5).astype(np.int32)
        frames[window, y, x] = np.where(count > 0, mean, frames[window, y, x])


def on_maps(
    maps: PixelMaps, sensor: NDArray[np.int64], corner_px: Array, window_px: tuple[int, int]
) -> tuple[NDArray[np.int64], ...]:
    """Return where the pixels of windows are on the maps: (sensor, y, x), each to (M, H, W).

    Beyond the edge of a sensor the pixel at its edge stands for them.

    Parameters
    ----------
    maps : PixelMaps
        Of S sensors.
    sensor : (M,) ndarray of int
        Of each window.
    corner_px : (M, 2) ndarray
        First pixel (x, y) of each window. [px]
    window_px : (int, int)
        (H, W). [px]
    """
    height, width = window_px
    _, rows, columns = maps.bad.shape
    corner = corner_px.astype(np.int64)
    x = np.clip(corner[:, :1] + np.arange(width), 0, columns - 1)[:, None, :]
    y = np.clip(corner[:, 1:] + np.arange(height), 0, rows - 1)[:, :, None]
    return sensor[:, None, None], y, x
