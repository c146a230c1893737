"""Spot images and the sums that are read from them."""

import numpy as np
from numpy.typing import NDArray

from sim.camera.exposure import Images, PixelNoise
from sim.camera.sensor import Scene
from sim.camera.settings import Camera
from sim.kernels.plain.multiply_add import F32, fma, polynomial
from sim.kernels.plain.normals import normal_pair
from sim.kernels.polynomials import ERF
from sim.ports import Array
from sim.rng import philox

NOISE_NONE, NOISE_FAST, NOISE_EXACT = 0, 1, 2


def expose(
    images: Images, position: Array, mirrors: NDArray, camera: Camera, noise: PixelNoise
) -> None:
    """Make every mirror's frame, and the sums of its thresholded centre of gravity.

    The spot is a Gaussian integrated over each pixel and averaged over the samples of its path.
    Exact Poisson noise is drawn by the compiled kernel alone: its meaning is a distribution.

    Parameters
    ----------
    images : Images
        Filled.
    position : (S, 2, M) ndarray
        Path of the spot over the exposure, in window pixels. [px]
    mirrors : (M,) ndarray of int
        Mirror numbers, which name the random numbers.
    camera : Camera
        Constants.
    noise : PixelNoise
        Its kind must not be "exact".
    """
    _check(noise)
    frames = images.frames_dn
    n_samples = position.shape[0]
    n_mirrors, height, width = frames.shape
    scale = F32(1.0 / (np.sqrt(2.0) * camera.sigma_px))
    share = F32(0.25 * camera.signal_e / n_samples)
    gx = _cells(position[:, 0], width, scale)  # (S, M, W)
    gy = _cells(position[:, 1], height, scale) * share
    electrons = np.full(frames.shape, F32(camera.background_e))
    for s in range(n_samples):
        electrons = fma(gy[s][:, :, None], gx[s][:, None, :], electrons)
    if noise.kind == NOISE_FAST:
        electrons = _noisy(electrons, mirrors, camera, noise)
    charge = np.minimum(electrons, F32(camera.full_well_e))
    _convert(images, charge, camera)


def expose_scene(
    images: Images, position: Array, mirrors: NDArray, camera: Camera, noise: PixelNoise,
    origin: Array, scene: Scene, warmth: float,
) -> None:  # fmt: skip
    """Make frames of windows that see more than their own spot, on pixels that differ.

    Light is multiplied by each pixel's response, then its dark signal is added, then comes the
    noise of both; the offset is added after the well. Pixels beyond the sensor are like those at
    its rim.

    Parameters
    ----------
    images : Images
        Filled.
    position : (S, 2, M) ndarray
        Paths of all spots over the exposure, in sensor pixels. [px]
    mirrors : (K,) ndarray of int
        Mirror of each window, which names the random numbers.
    camera, noise
        As in `expose`.
    origin : (K, 2) ndarray
        First sensor pixel (x, y) of each window; whole numbers. [px]
    scene : Scene
        Which spots reach which window, ghost and pixels.
    warmth : float
        Factor on the dark signal. [-]
    """
    _check(noise)
    n_samples = position.shape[0]
    frames = images.frames_dn
    _, height, width = frames.shape
    scale = F32(1.0 / (np.sqrt(2.0) * camera.sigma_px))
    electrons = np.full(frames.shape, F32(camera.background_e))
    lights = [(1.0, 0.0, 0.0)]
    if scene.ghost > 0.0:
        lights.append((scene.ghost, scene.ghost_x_px, scene.ghost_y_px))
    for column in scene.spots.T:
        k = np.flatnonzero(column >= 0)
        seen = position[:, :, column[k]]
        for strength, dx, dy in lights:
            share = F32(0.25 * camera.signal_e * strength / n_samples)
            gx = _cells(seen[:, 0] - origin[k, 0] + dx, width, scale)
            gy = _cells(seen[:, 1] - origin[k, 1] + dy, height, scale) * share
            for s in range(n_samples):
                electrons[k] = fma(gy[s][:, :, None], gx[s][:, None, :], electrons[k])
    sensors, rows, columns = scene.response.shape
    sensor = np.minimum(scene.sensor, sensors - 1)[:, None, None]
    x = np.clip(origin[:, :1].astype(np.int64) + np.arange(width), 0, columns - 1)[:, None, :]
    y = np.clip(origin[:, 1:].astype(np.int64) + np.arange(height), 0, rows - 1)[:, :, None]
    dark = scene.dark[sensor, y, x] * F32(warmth)
    electrons = fma(electrons, scene.response[sensor, y, x], dark)
    if noise.kind == NOISE_FAST:
        electrons = _noisy(electrons, mirrors, camera, noise)
    charge = np.minimum(electrons, F32(camera.full_well_e)) + scene.offset[sensor, y, x]
    _convert(images, charge, camera)


def _check(noise: PixelNoise) -> None:
    if noise.kind == NOISE_EXACT:
        raise ValueError("noise must be NOISE_NONE or NOISE_FAST in the plain form")


def _cells(centre: NDArray, n: int, scale: np.float32) -> NDArray[np.float32]:
    """Twice the share of a unit spot in each of `n` cells along one axis."""
    middle = centre.astype(F32)[..., None] * scale
    edge = (np.arange(n + 1, dtype=F32) - F32(0.5)) * scale - middle
    with np.errstate(over="ignore"):  # far away the power is infinite, and erf one
        p = polynomial(ERF, np.abs(edge))
        for _ in range(4):
            p = p * p
    erf = np.copysign(F32(1.0) - F32(1.0) / p, edge)
    return erf[..., 1:] - erf[..., :-1]


def _noisy(
    electrons: NDArray[np.float32], mirrors: NDArray, camera: Camera, noise: PixelNoise
) -> NDArray[np.float32]:
    """Skewed normal with the mean and variance of Poisson plus read noise."""
    z = _pixel_normals(electrons.shape, mirrors, noise)
    var = electrons + F32(camera.read_noise_e * camera.read_noise_e)
    skew = electrons / (var * F32(6.0))
    return fma(fma(skew, z, np.sqrt(var)), z, electrons - skew)


def _convert(images: Images, charge: NDArray[np.float32], camera: Camera) -> None:
    """Electrons to digital numbers, and their sums."""
    frames, sums, threshold, keep = images
    level = np.floor(fma(charge, F32(camera.gain_dn_per_e), F32(camera.black_dn + 0.5)))
    digital = np.clip(level, F32(0.0), F32(camera.full_scale_dn)).astype(np.int32)
    if keep:
        frames[...] = digital
    lit = np.maximum(digital - threshold, 0).astype(np.int64)
    sums[0] = lit.sum(axis=(1, 2))
    sums[1] = lit.sum(axis=1) @ np.arange(frames.shape[2])
    sums[2] = lit.sum(axis=2) @ np.arange(frames.shape[1])


def _pixel_normals(
    shape: tuple[int, ...], mirrors: NDArray, noise: PixelNoise
) -> NDArray[np.float32]:
    """One normal for each pixel (M, H, W); four neighbours in a row share a draw."""
    n_mirrors, height, width = shape
    groups = (width + 3) // 4
    counter = np.zeros((n_mirrors, height * groups, 4), np.uint32)
    counter[..., 0] = np.arange(height * groups)
    counter[..., 1] = np.asarray(mirrors)[:, None]
    counter[..., 2] = noise.frame
    words = philox(counter, (noise.seed, noise.stream))
    first = normal_pair(words[..., 0].copy(), words[..., 1].copy())
    second = normal_pair(words[..., 2].copy(), words[..., 3].copy())
    four = np.stack([*first, *second], axis=-1)
    return four.reshape(n_mirrors, height, 4 * groups)[:, :, :width]
