"""Measurement noise without images: bias and covariance of an estimator by place in a pixel."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import erf

from sim.camera.settings import Camera, CameraParams
from sim.errors import ScenarioError
from sim.ports import Array, SpotStatus

NODES = 16
"""Places in a pixel along each axis."""
FRAMES = 512
"""Frames read at each place."""
BATCHES = 32
"""The frames are made and read in so many batches."""
HARMONICS = 2
"""Bias and covariance are kept up to this harmonic of the pixel; what is above is sampling noise.
"""
PROBES = 2048
"""Spots without noise, anywhere the table is used, that show whether the place in a pixel is all
that the estimator's error depends on."""
SHARE = 0.1
"""Part of the noise that such a spot's error may differ by, rms."""
SATURATION_SIGMAS = 5.0
EDGE_SIGMAS = 6.0


class NoiseTable(NamedTuple):
    """Error of a reading as mean and square root of covariance, G by G places in a pixel."""

    bias_px: Array
    """(G, G, 2) mean error (x, y); first index: place along y. [px]"""
    root_px: Array
    """(G, G, 3) lower Cholesky factor (xx, yx, yy) of the covariance. [px]"""
    light_dn: float
    """Mean light of a reading. [DN]"""
    margin_px: float
    """A spot nearer than this to the centres of the outermost pixels is beyond the table. [px]"""


NO_TABLE = NoiseTable(np.zeros((1, 1, 2)), np.zeros((1, 1, 3)), 0.0, 0.0)


def check_meaning(params: CameraParams, camera: Camera) -> None:
    """Refuse a camera for which a table by place in a pixel has no meaning.

    Raises
    ------
    ScenarioError
        If pixels differ, a window sees stray light, temperature changes the image, lost spots are
        searched for, or the brightest pixel comes near saturation.
    """
    for bad, why in (
        (params.patterned, "pixels differ"),
        (params.stray, "windows see stray light"),
        (params.dark_e_per_s > 0 or params.defocus_px_per_k > 0, "the image changes with warmth"),
        (params.search_after_frames is not None, "a search needs images"),
    ):
        if bad:
            raise _refusal(why)
    share = float(erf(0.5 / (np.sqrt(2.0) * camera.sigma_px)) ** 2)
    mean_e = camera.background_e + camera.signal_e * share
    peak_e = mean_e + SATURATION_SIGMAS * np.sqrt(mean_e + camera.read_noise_e**2)
    full_e = min(
        camera.full_well_e, (camera.full_scale_dn - camera.black_dn) / camera.gain_dn_per_e
    )
    if peak_e >= full_e:
        raise _refusal(
            f"the brightest pixel reaches {peak_e:.0f} e- with its noise, and saturates at "
            f"{full_e:.0f} e-"
        )


def places_px(window_px: tuple[int, int]) -> Array:
    """Return the spots (2, K) of one batch of those that fill a table, in window pixels. [px]"""
    height, width = window_px
    phase = (np.arange(NODES) - NODES // 2) / NODES
    y, x = np.meshgrid((height - 1) // 2 + phase, (width - 1) // 2 + phase, indexing="ij")
    return np.ascontiguousarray(np.tile(np.stack([x.ravel(), y.ravel()]), FRAMES // BATCHES))


def probes_px(window_px: tuple[int, int], margin_px: float) -> tuple[Array, Array]:
    """Return spots (2, PROBES) all over the window, and in the middle at the same place in a pixel.

    Raises
    ------
    ScenarioError
        If the margin leaves nothing of the window.
    """
    height, width = window_px
    size = np.array([width, height])
    room = size - 1 - 2 * margin_px
    if room.min() <= 1.0:
        raise _refusal(
            f"the estimator and its noise keep {margin_px:.2f} px from the window's edge, which "
            f"leaves nothing of {height} x {width} px"
        )
    anywhere = margin_px + room * np.random.default_rng(0).random((PROBES, 2))
    middle = (size - 1) // 2 + anywhere - np.floor(anywhere + 0.5)
    return np.ascontiguousarray(anywhere.T), np.ascontiguousarray(middle.T)


def make_table(
    spots_px: Array, read_px: Array, status: NDArray[np.uint8], flux_dn: Array, edge_px: float
) -> NoiseTable:
    """Return the table from readings (BATCHES * K, 2) of spots (2, K), batch after batch.

    Raises
    ------
    ScenarioError
        If a spot was not read.
    """
    lost = int((status != SpotStatus.OK).sum())
    if lost:
        raise _refusal(f"{lost} of {len(status)} spots in the middle of a window are not read")
    error = read_px - np.tile(spots_px.T, (BATCHES, 1))
    error = error.reshape(FRAMES, NODES, NODES, 2)
    bias = error.mean(axis=0)
    white = error - bias
    covariance = np.einsum("fyxi,fyxj->yxij", white, white) / (FRAMES - 1)
    bias, covariance = _smoothed(bias), _smoothed(covariance)
    root = np.linalg.cholesky(covariance)
    sigma = float(np.sqrt(covariance[..., (0, 1), (0, 1)].max()))
    return NoiseTable(
        np.ascontiguousarray(bias),
        np.ascontiguousarray(np.stack([root[..., 0, 0], root[..., 1, 0], root[..., 1, 1]], -1)),
        float(flux_dn.mean()),
        edge_px + EDGE_SIGMAS * sigma,
    )


def check_place(table: NoiseTable, anywhere_px: Array, middle_px: Array) -> None:
    """Refuse an estimator whose error depends on more than the place in a pixel.

    Parameters
    ----------
    table : NoiseTable
        The table.
    anywhere_px, middle_px : (N, 2) ndarray
        Errors of readings without noise, all over the window and in its middle. [px]

    Raises
    ------
    ScenarioError
        If they differ by more than a part of the noise, or one was not read.
    """
    apart = float(np.sqrt(np.mean((anywhere_px - middle_px) ** 2)))
    sigma = float(np.sqrt(np.mean(table.root_px[..., (0, 2)] ** 2)))
    if not apart <= SHARE * sigma:
        raise _refusal(
            f"the estimator's error changes by {apart:.4f} px with the place in the window, "
            f"beside a noise of {sigma:.4f} px"
        )


def _smoothed(values: Array) -> Array:
    """Keep the low harmonics of a table (G, G, ...)."""
    waves = np.fft.fft2(values, axes=(0, 1))
    number = np.abs(np.fft.fftfreq(NODES, 1 / NODES))
    keep = (number[:, None] <= HARMONICS) & (number <= HARMONICS)
    shape = (NODES, NODES, *[1] * (values.ndim - 2))
    return np.asarray(np.fft.ifft2(waves * keep.reshape(shape), axes=(0, 1)).real)


def _refusal(why: str) -> ScenarioError:
    return ScenarioError(f'camera.noise: "equivalent" has no meaning here: {why}; use "fast"')
