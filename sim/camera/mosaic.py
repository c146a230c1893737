"""Whole sensor images: all spots in one picture, even illumination, windows cut from images."""

from types import ModuleType

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sim.camera.exposure import Images, PixelNoise
from sim.camera.measurement import NOISE, image_noise
from sim.camera.sensor import FixedPattern, Layout, make_pattern, make_scene
from sim.camera.settings import CameraParams, make_camera, window_origin
from sim.foundations.ports import Array
from sim.foundations.rng import Stream

FAR_PX = 1e6


def mosaic(
    params: CameraParams,
    layout: Layout,
    spots_px: ArrayLike,
    *,
    mirrors: ArrayLike,
    seed: int,
    kernels: ModuleType,
    array: int = 0,
    frame: int = 0,
    temperature_k: float = 0.0,
) -> NDArray[np.int32]:
    """Return one image of the sensor behind an array, with every spot in it.

    Expected light, pattern and defects are those of the windows, pixel for pixel; the noise has
    the same distribution but is another draw, since windows name theirs by place in the window.
    All rows are exposed at the same time here, and a mirror that is not listed is dark. The margin
    outside the fields shows background and dark signal without noise, and no light of a spot that
    strays there.

    Parameters
    ----------
    params, layout : CameraParams, Layout
        The camera, and how fields lie on the sensor.
    spots_px : (M, 2) array_like
        Each spot against the spot of the untilted mirror: tilt times `scale_px_per_mrad`. [px]
    mirrors : (M,) array_like of int
        Numbers of the mirrors with a spot; those of the other array are left out.
    seed : int
        Of the pattern and the noise.
    kernels : module
        `sim.kernels.compiled` or `sim.kernels.plain`.
    array : int
        0 for the sensor of array A, 1 for that of array B.
    frame : int
        Frame number, which names the noise.
    temperature_k : float
        Above reference. [K]

    Returns
    -------
    (H, W) ndarray of int32
        The sensor, margin included. [DN]

    Raises
    ------
    ValueError
        If `spots_px` is not one (x, y) for each of `mirrors`.
    """
    spots = np.asarray(spots_px, np.float64)
    listed = np.asarray(mirrors, np.int64)
    if spots.shape != (len(listed), 2):
        raise ValueError(
            f"spots_px must be (M, 2) with M = {len(listed)}, got shape {spots.shape}"
        )
    count = layout.count(array)
    everyone = array * layout.ports + np.arange(count)
    position = np.full((1, 2, count), FAR_PX)
    here = layout.sensor(listed) == array
    position[0][:, layout.port(listed[here])] = (spots[here] + layout.centre(listed[here])).T
    pattern = make_pattern(params, layout, seed, array + 1)
    scene = make_scene(params, layout, everyone, pattern, spill=True)
    camera = make_camera(params)._replace(sigma_px=params.blurred_px(temperature_k))
    warmth = params.warmth(temperature_k)
    pitch = layout.pitch_px
    tiles = np.zeros((count, pitch, pitch), np.int32)
    corner = layout.corner(everyone)
    noise = PixelNoise(image_noise(params), frame, seed, int(Stream.PIXELS))
    kernels.expose_scene(
        _all_of(tiles), position, everyone, camera, noise, corner.astype(np.float64), scene, warmth
    )
    image = np.zeros((1, *layout.shape), np.int32)
    alone = scene._replace(spots=np.full((1, 1), -1), sensor=np.array([array]))
    kernels.expose_scene(
        _all_of(image), position, everyone[:1], camera, noise._replace(kind=NOISE["none"]),
        np.zeros((1, 2)), alone, warmth,
    )  # fmt: skip
    y, x = np.mgrid[:pitch, :pitch]
    image[0, corner[:, 1, None, None] + y, corner[:, 0, None, None] + x] = tiles
    return image[0]


def flat_field(
    params: CameraParams,
    layout: Layout,
    photons_px: float,
    *,
    seed: int,
    kernels: ModuleType,
    array: int = 0,
    frame: int = 0,
    temperature_k: float = 0.0,
    pattern: FixedPattern | None = None,
) -> NDArray[np.int32]:
    """Return an image of the sensor illuminated evenly, as for a characterisation of the camera.

    Spots and ambient light are off; `quantum_efficiency` turns photons into electrons.

    Parameters
    ----------
    params, layout, seed, kernels, array, frame, temperature_k
        As for `mosaic`.
    photons_px : float
        Mean photons on each pixel in one exposure. [1/px]
    pattern : Pattern, optional
        The pixels, from `sim.camera.sensor.make_pattern`, where many images are made; drawn if left
        out.

    Returns
    -------
    (H, W) ndarray of int32
        The sensor, margin included. [DN]

    Raises
    ------
    ValueError
        If `photons_px` is negative.

    References
    ----------
    .. [1] EMVA Standard 1288, Release 4.0 Linear: the linear model; its reference implementation
       recovers the parameters from such images.
    """
    if not photons_px >= 0:
        raise ValueError(f"photons_px must be at least 0, got {photons_px!r}")
    light_e = params.quantum_efficiency * photons_px
    camera = make_camera(params)._replace(signal_e=0.0, background_e=light_e)
    number = np.array([array * layout.ports])
    if pattern is None:
        pattern = make_pattern(params, layout, seed, array + 1)
    scene = make_scene(params, layout, number, pattern, spill=False)
    image = np.zeros((1, *layout.shape), np.int32)
    kernels.expose_scene(
        _all_of(image), np.full((1, 2, 1), FAR_PX), number, camera,
        PixelNoise(image_noise(params), frame, seed, int(Stream.PIXELS)), np.zeros((1, 2)), scene,
        params.warmth(temperature_k),
    )  # fmt: skip
    return image[0]


def _all_of(frames: NDArray[np.int32]) -> Images:
    """Images that are kept, threshold 0."""
    return Images(frames, np.zeros((3, len(frames)), np.int64), 0, True)


def cut_windows(
    image_dn: ArrayLike, expected_px: ArrayLike, window_px: tuple[int, int]
) -> tuple[NDArray[np.int32], Array]:
    """Cut a window around each expected spot out of one image, ready for any estimator.

    Parameters
    ----------
    image_dn : (H, W) array_like of int
        A picture of the sensor, measured or simulated. [DN]
    expected_px : (M, 2) array_like
        Where each spot should be, (x, y) from the centre of the image's first pixel. [px]
    window_px : (int, int)
        Height and width of the windows. [px]

    Returns
    -------
    frames_dn : (M, h, w) ndarray of int32
        [DN]
    origin_px : (M, 2) ndarray
        First pixel (x, y) of each window: add it to an estimator's reading. [px]

    Raises
    ------
    ValueError
        If the image is not two-dimensional whole numbers, or a window reaches beyond it.
    """
    image = np.asarray(image_dn)
    if image.ndim != 2 or not np.issubdtype(image.dtype, np.integer):
        raise ValueError(
            f"image_dn must be (H, W) whole numbers, got {image.dtype} of shape {image.shape}"
        )
    height, width = window_px
    origin = window_origin(np.asarray(expected_px, np.float64), window_px)
    top = np.array([image.shape[1] - width, image.shape[0] - height])
    outside = np.flatnonzero(((origin < 0) | (origin > top)).any(axis=1))
    if len(outside):
        raise ValueError(
            f"expected_px must leave every window inside the image of {image.shape}, "
            f"but that of spot {outside[0]} starts at {origin[outside[0]].tolist()}"
        )
    x, y = origin.astype(np.int64).T
    rows = y[:, None, None] + np.arange(height)[:, None]
    columns = x[:, None, None] + np.arange(width)
    return np.ascontiguousarray(image[rows, columns], np.int32), origin
