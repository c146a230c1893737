"""Spot images and the sums that are read from them."""

import math

import numpy as np
from numpy.typing import NDArray

from sim.camera.exposure import Images, PixelNoise
from sim.camera.sensor import Scene
from sim.camera.settings import Camera
from sim.foundations.ports import Array
from sim.foundations.rng import philox
from sim.kernels.plain.normals import normal_pair

NOISE_NONE, NOISE_FAST, NOISE_EXACT = 0, 1, 2
_erf = np.frompyfunc(math.erf, 1, 1)
"""For arrays; a library's own takes longer to load than it saves here."""


def expose(
    images: Images, position: Array, mirrors: NDArray, camera: Camera, noise: PixelNoise
) -> None:
    """Make every mirror's frame, and the sums of its thresholded centre of gravity.

    The spot is a Gaussian integrated over each pixel and averaged over the samples of its path.
    Exact Poisson noise is drawn by other words than in the compiled kernel: its meaning is a
    distribution.

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
        Its kind, and what names its random numbers.
    """
    frames = images.frames_dn
    _, height, width = frames.shape
    gx = _cells(position[:, 0], width, camera.sigma_px)  # (S, M, W)
    gy = _cells(position[:, 1], height, camera.sigma_px)
    light = np.einsum("smj,smi->mji", gy, gx)
    electrons = camera.background_e + camera.signal_e / len(position) * light
    electrons = _noisy(electrons, mirrors, camera, noise)
    charge = np.minimum(electrons, camera.full_well_e)
    _convert(images, charge, camera)


def expose_scene(
    images: Images, position: Array, mirrors: NDArray, camera: Camera, noise: PixelNoise,
    origin: Array, scene: Scene, warmth: float,
) -> None:  # fmt: skip
    """Make frames of windows that see more than their own spot, on pixels that differ.

    Light is multiplied by each pixel's response, then its dark signal is added, then comes the
    noise of both; the offset is added after the well. Pixels beyond the sensor are like those at
    its edge.

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
    frames = images.frames_dn
    _, height, width = frames.shape
    electrons = np.full(frames.shape, camera.background_e)
    lights = [(1.0, 0.0, 0.0)]
    if scene.ghost > 0.0:
        lights.append((scene.ghost, scene.ghost_x_px, scene.ghost_y_px))
    for column in scene.spots.T:
        k = np.flatnonzero(column >= 0)
        seen = position[:, :, column[k]]
        for strength, dx, dy in lights:
            gx = _cells(seen[:, 0] - origin[k, 0] + dx, width, camera.sigma_px)
            gy = _cells(seen[:, 1] - origin[k, 1] + dy, height, camera.sigma_px)
            share = camera.signal_e * strength / len(position)
            electrons[k] += share * np.einsum("smj,smi->mji", gy, gx)
    sensors, rows, columns = scene.response.shape
    sensor = np.minimum(scene.sensor, sensors - 1)[:, None, None]
    x = np.clip(origin[:, :1].astype(np.int64) + np.arange(width), 0, columns - 1)[:, None, :]
    y = np.clip(origin[:, 1:].astype(np.int64) + np.arange(height), 0, rows - 1)[:, :, None]
    dark = scene.dark[sensor, y, x] * warmth
    electrons = electrons * scene.response[sensor, y, x] + dark
    electrons = _noisy(electrons, mirrors, camera, noise)
    charge = np.minimum(electrons, camera.full_well_e) + scene.offset[sensor, y, x]
    _convert(images, charge, camera)


def _cells(centre: Array, n: int, sigma_px: float) -> Array:
    """Share (..., n) of a unit spot's light in each of `n` cells along one axis."""
    edge = np.arange(n + 1) - 0.5 - centre[..., None]
    return 0.5 * np.diff(_erf(edge / (np.sqrt(2.0) * sigma_px)).astype(float), axis=-1)


def _noisy(electrons: Array, mirrors: NDArray, camera: Camera, noise: PixelNoise) -> Array:
    """What the pixels hold: their light alone, or with a noise."""
    if noise.kind == NOISE_NONE:
        return electrons
    if noise.kind == NOISE_EXACT:
        return _counted(electrons, mirrors, camera, noise)
    # Skewed normal with the mean and variance of Poisson plus read noise.
    z = _pixel_normals(electrons.shape, mirrors, noise)
    variance = electrons + camera.read_noise_e**2
    return electrons + np.sqrt(variance) * z + electrons / (6.0 * variance) * (z * z - 1.0)


def _counted(electrons: Array, mirrors: NDArray, camera: Camera, noise: PixelNoise) -> Array:
    """Poisson plus read noise, window by window."""
    held = np.empty(electrons.shape)
    for k, mirror in enumerate(mirrors):
        draw = np.random.default_rng([noise.seed, noise.stream, int(mirror), noise.frame])
        held[k] = draw.poisson(electrons[k])
        held[k] += camera.read_noise_e * draw.standard_normal(electrons[k].shape)
    return held


def _convert(images: Images, charge: Array, camera: Camera) -> None:
    """Electrons to digital numbers, and their sums."""
    frames, sums, threshold, keep = images
    level = np.floor(charge * camera.gain_dn_per_e + camera.black_dn + 0.5)
    digital = np.clip(level, 0.0, camera.full_scale_dn).astype(np.int32)
    if keep:
        frames[...] = digital
    above = np.maximum(digital - threshold, 0).astype(np.int64)
    sums[0] = above.sum(axis=(1, 2))
    sums[1] = above.sum(axis=1) @ np.arange(frames.shape[2])
    sums[2] = above.sum(axis=2) @ np.arange(frames.shape[1])


def _pixel_normals(shape: tuple[int, ...], mirrors: NDArray, noise: PixelNoise) -> Array:
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
