"""What every estimator must keep to, shipped or not.

    from mirrorloop.testing import check_estimator
    check_estimator(MINE.bound(MINE.Params(...)))

The frames are of a small camera of their own, not of the simulator's.
"""

import warnings
from collections.abc import Callable
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sim.estimators.spot_model import pixel_integrated
from sim.foundations.ports import CameraBelief, Estimator, SpotStatus

CAMERA: Final = CameraBelief(32.0, 0.5, 20.0, 6.0, 1023, 1.8)
"""10 bit, 0.5 DN/e, black level 32 DN, background 20 e, read noise 6 e, spot sigma 1.8 px."""
SIGNAL_E: Final = 20000.0
"""Light of the spots. [e]"""
BIAS_PX: Final = 0.02
"""Largest error on a bright spot without noise, within a pixel of the window's middle. [px]"""


def frames_of_spots(
    spot_px: ArrayLike,
    camera: CameraBelief = CAMERA,
    signal_e: ArrayLike = SIGNAL_E,
    *,
    shape: tuple[int, int] = (24, 24),
    rng: np.random.Generator | None = None,
    extra_e: ArrayLike = 0.0,
) -> NDArray[np.int32]:
    """Return frames (M, H, W) of Gaussian spots at (M, 2) [px]. [DN]

    Poisson light and normal read noise from `rng`; without one there is no noise but rounding.
    """
    places = np.asarray(spot_px, dtype=float)
    light = np.reshape(signal_e, (-1, 1, 1)) * pixel_integrated(places, camera.spot_sigma_px, shape)
    mean_e: Any = light + camera.background_e + extra_e
    charge_e = mean_e
    if rng is not None:
        charge_e = rng.poisson(mean_e) + rng.normal(0, camera.read_noise_e, mean_e.shape)
    dn = np.rint(camera.black_dn + camera.gain_dn_per_e * charge_e)
    return np.asarray(np.clip(dn, 0, camera.full_scale_dn).astype(np.int32))


def check_bright_spots_are_found(estimator: Estimator) -> None:
    """Bright spots near the middle are read, within `BIAS_PX`."""
    spots = 11.5 + np.random.default_rng(20).uniform(-1, 1, (50, 2))
    reading = estimator(frames_of_spots(spots), camera=CAMERA)
    assert np.all(reading.status == SpotStatus.OK), reading.status
    assert np.abs(reading.spot_px - spots).max() < BIAS_PX
    assert np.all(reading.flux_dn > 0)


def check_types_and_shapes(estimator: Estimator) -> None:
    """Positions (M, 2), light (M,) and status (M,), of the port's types; also for no mirrors."""
    spots = np.array([[10, 13], [12, 11], [11, 11]])
    for frames in (frames_of_spots(spots, shape=(24, 22)), np.zeros((0, 24, 24), np.int32)):
        reading = estimator(frames, camera=CAMERA)
        m = len(frames)
        assert (reading.spot_px.shape, reading.spot_px.dtype) == ((m, 2), np.float64)
        assert (reading.flux_dn.shape, reading.flux_dn.dtype) == ((m,), np.float64)
        assert (reading.status.shape, reading.status.dtype) == ((m,), np.uint8)


def check_spots_do_not_talk(estimator: Estimator) -> None:
    """Frames in another order, or alone, read the same, to rounding."""
    rng = np.random.default_rng(21)
    frames = frames_of_spots(11.5 + rng.uniform(-2, 2, (12, 2)), rng=rng)
    frames[5] = 42
    order = rng.permutation(12)
    together = estimator(frames, camera=CAMERA)
    shuffled = estimator(frames[order], camera=CAMERA)
    alone = [estimator(frames[k : k + 1], camera=CAMERA).spot_px for k in range(12)]
    np.testing.assert_array_equal(shuffled.status, together.status[order])
    close: dict[str, Any] = {"rtol": 0.0, "atol": 1e-9}
    np.testing.assert_allclose(shuffled.spot_px, together.spot_px[order], **close)
    np.testing.assert_allclose(np.concatenate(alone), together.spot_px, **close)


def check_frames_are_not_changed(estimator: Estimator) -> None:
    """Frames that may only be read are enough."""
    frames = frames_of_spots([[11, 12]])
    frames.setflags(write=False)
    before = frames.copy()
    estimator(frames, camera=CAMERA)
    np.testing.assert_array_equal(frames, before)


def check_nothing_is_remembered(estimator: Estimator) -> None:
    """The same frames read the same whatever was read between: a run's state holds no estimator."""
    rng = np.random.default_rng(25)
    frames = frames_of_spots(11.5 + rng.uniform(-2, 2, (8, 2)), rng=rng)
    others = frames_of_spots(11.5 + rng.uniform(-2, 2, (8, 2)), rng=rng)
    first = estimator(frames, camera=CAMERA)
    position_px, status = first.spot_px.copy(), first.status.copy()
    estimator(others, camera=CAMERA)
    again = estimator(frames, camera=CAMERA)
    np.testing.assert_array_equal(again.spot_px, position_px)
    np.testing.assert_array_equal(again.status, status)


def check_x_and_y_alike(estimator: Estimator) -> None:
    """A frame turned over its diagonal reads as the spot turned over."""
    rng = np.random.default_rng(22)
    frames = frames_of_spots(11.5 + rng.uniform(-2, 2, (20, 2)), rng=rng)
    turned = estimator(np.ascontiguousarray(frames.swapaxes(1, 2)), camera=CAMERA)
    upright = estimator(frames, camera=CAMERA)
    np.testing.assert_allclose(turned.spot_px, upright.spot_px[:, ::-1], atol=1e-9)


def check_dark_frames_are_dim(estimator: Estimator) -> None:
    """Without a spot the status is DIM and the position NaN."""
    rng = np.random.default_rng(23)
    dark_e = rng.poisson(20, (50, 24, 24)) + rng.normal(0, 6, (50, 24, 24))
    frames = np.rint(32 + 0.5 * dark_e).astype(np.int32)
    reading = estimator(frames, camera=CAMERA)
    assert np.all(reading.status == SpotStatus.DIM), reading.status
    assert np.isnan(reading.spot_px).all()


def check_a_spot_at_the_edge_is_not_ok(estimator: Estimator) -> None:
    """A spot cut by the edge of the window has no position."""
    spots = [[1.0, 11.5], [22.5, 11.5], [11.5, 0.7], [11.5, 22.9], [0.5, 0.5]]
    reading = estimator(frames_of_spots(spots), camera=CAMERA)
    assert np.all(np.isin(reading.status, [SpotStatus.EDGE, SpotStatus.FAILED])), reading.status
    assert np.isnan(reading.spot_px).all()


def check_strange_frames(estimator: Estimator) -> None:
    """Frames of no spot, whole or cut small, give a status, and neither an error nor a warning."""
    for side in (24, 4):
        with warnings.catch_warnings(), np.errstate(all="warn"):
            warnings.simplefilter("error")
            frames = np.ascontiguousarray(_strange_frames()[:, :side, :side])
            reading = estimator(frames, camera=CAMERA)
        ok = reading.status == SpotStatus.OK
        assert np.isfinite(reading.flux_dn).all()
        assert np.isfinite(reading.spot_px[ok]).all()
        assert np.isnan(reading.spot_px[~ok]).all()
        assert reading.status[0] == SpotStatus.DIM


def _strange_frames() -> NDArray[np.int32]:
    rng = np.random.default_rng(24)
    frames = np.zeros((9, 24, 24), np.int32)
    frames[1] = 1023
    frames[2] = rng.integers(0, 1024, (24, 24))
    frames[3] = 42
    frames[3, 7, 9] = 1023
    frames[4, 0, 0] = frames[4, 23, 23] = 1023
    frames[5, :, 12] = 1023
    frames[6] = np.arange(24) * 40
    frames[7] = 1023 - 1023 * (np.indices((24, 24)).sum(axis=0) % 2)
    frames[8, 11:13, 11:13] = 1023
    return frames


CHECKS: Final[tuple[Callable[[Estimator], None], ...]] = (
    check_bright_spots_are_found,
    check_types_and_shapes,
    check_spots_do_not_talk,
    check_frames_are_not_changed,
    check_nothing_is_remembered,
    check_x_and_y_alike,
    check_dark_frames_are_dim,
    check_a_spot_at_the_edge_is_not_ok,
    check_strange_frames,
)


def check_estimator(estimator: Estimator) -> None:
    """Raise an AssertionError at the first rule that an estimator breaks.

    Parameters
    ----------
    estimator : Estimator
        With its settings filled in, set up for `CAMERA` and spots of `SIGNAL_E`.
    """
    for check in CHECKS:
        check(estimator)
