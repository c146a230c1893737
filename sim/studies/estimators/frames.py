"""The frames of a case, from the same compiled camera as in the loop; all estimators get them."""

from types import ModuleType
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.camera.measurement import Measurement
from sim.camera.settings import CameraParams
from sim.foundations.ports import Array, CameraBelief, SpotReading
from sim.studies.estimators.cases import REPEATS, ComparisonCase, paths_px

EMPTY_FRAMES = 256
FRAMES_PER_CASE = 2
"""Frame numbers that a case uses up: its spots, and its empty frames."""


class TestFrames(NamedTuple):
    """What all estimators are given, and what only the judge knows."""

    with_spot_dn: NDArray[np.int32]
    """(M, H, W) frames that hold a spot; frame m shows position m % groups. [DN]"""
    empty_dn: NDArray[np.int32]
    """(E, H, W) frames of the same camera without one. [DN]"""
    truth_px: Array
    """(M, 2). [px]"""
    path_px: Array
    """(S, 2, G) path of each position. [px]"""


def noisy(camera: CameraParams) -> CameraParams:
    """Return the camera with its noise switched on: scatter needs it."""
    if camera.noise != "none":
        return camera
    return camera.replace(noise="fast" if camera.read_noise_e >= 1 else "exact")


def frames_of(case: ComparisonCase, number: int, seed: int, kernels: ModuleType) -> TestFrames:
    """Render the frames of a case.

    Parameters
    ----------
    case : Case
        What to render.
    number : int
        The case's place in the comparison; names its random numbers.
    seed : int
        The scenario's seed.
    kernels : module
        `sim.kernels.compiled`, or `sim.kernels.plain` for the plain form.

    Returns
    -------
    TestFrames
    """
    camera = noisy(case.camera)
    path = paths_px(case)
    repeated = np.ascontiguousarray(np.tile(path, (1, 1, REPEATS)))
    with_spot = _exposed(camera, repeated, FRAMES_PER_CASE * number, seed, kernels)
    middle = np.zeros((1, 2, EMPTY_FRAMES))
    empty = _exposed(
        camera.replace(signal_e=0.0), middle, FRAMES_PER_CASE * number + 1, seed, kernels
    )
    return TestFrames(with_spot, empty, np.tile(path.mean(axis=0).T, (REPEATS, 1)), path)


def _exposed(
    camera: CameraParams, path_px: Array, number: int, seed: int, kernels: ModuleType
) -> NDArray[np.int32]:
    windows = np.arange(path_px.shape[2])
    measurement = Measurement(camera, windows, seed, _no_estimator, None, kernels)
    return measurement.frames(path_px, number).copy()


def _no_estimator(frames_dn: NDArray[np.int32], *, camera: CameraBelief) -> SpotReading:
    """Stand where an estimator would: the comparison takes frames alone from the measurement."""
    raise AssertionError("the comparison reads no spots itself")
