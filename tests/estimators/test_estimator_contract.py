"""What every estimator must do, shipped or to come."""

import inspect
import warnings

import numpy as np
import pytest
from pydantic import ValidationError

from sim.estimators import ESTIMATORS
from sim.ports import SpotStatus


@pytest.fixture(params=sorted(ESTIMATORS))
def name(request):
    return request.param


@pytest.fixture
def estimator(name, settings):
    """Return the estimator with its settings, by way of its block."""
    kind = ESTIMATORS[name]
    return kind.bound(kind.Params(kind=name, **settings[name]))


def test_the_block_holds_the_functions_settings(name):
    kind = ESTIMATORS[name]
    keywords = {
        key: parameter.default
        for key, parameter in inspect.signature(kind.function).parameters.items()
        if parameter.kind is inspect.Parameter.KEYWORD_ONLY and key != "camera"
    }
    fields = {key: field for key, field in kind.Params.model_fields.items() if key != "kind"}
    assert set(fields) == set(keywords)
    for key, field in fields.items():
        default = keywords[key]
        assert field.is_required() == (default is inspect.Parameter.empty)
        assert field.is_required() or field.default == default
    assert all(field.description for field in kind.Params.model_fields.values())


def test_the_block_refuses_another_name_and_unknown_keys(name, settings):
    params = ESTIMATORS[name].Params
    with pytest.raises(ValidationError, match="kind"):
        params(kind="another", **settings[name])
    with pytest.raises(ValidationError, match="Extra inputs"):
        params(kind=name, **settings[name], colour="red")
    with pytest.raises(ValidationError, match="min_flux_dn"):
        params(kind=name, **(settings[name] | {"min_flux_dn": 0}))


def test_bright_spots_are_found(estimator, make_frames, camera):
    # Noise-free demo spot: all biases together stay below 0.02 px within a pixel of the middle.
    spots = 11.5 + np.random.default_rng(20).uniform(-1, 1, (50, 2))
    reading = estimator(make_frames(spots, camera, 20000), camera=camera)
    assert np.all(reading.status == SpotStatus.OK)
    assert np.abs(reading.spot_px - spots).max() < 0.02
    assert np.all((reading.flux_dn > 5000) & (reading.flux_dn < 11000))


def test_types_and_shapes_of_the_reading(estimator, make_frames, camera):
    frames = make_frames([[10, 13], [12, 11], [11, 11]], camera, 20000, shape=(24, 22))
    reading = estimator(frames, camera=camera)
    assert (reading.spot_px.shape, reading.spot_px.dtype) == ((3, 2), np.float64)
    assert (reading.flux_dn.shape, reading.flux_dn.dtype) == ((3,), np.float64)
    assert (reading.status.shape, reading.status.dtype) == ((3,), np.uint8)


def test_no_spots_at_all(estimator, camera):
    reading = estimator(np.zeros((0, 24, 24), np.int32), camera=camera)
    assert reading.spot_px.shape == (0, 2)
    assert reading.flux_dn.shape == reading.status.shape == (0,)


def test_spots_do_not_talk_to_each_other(estimator, make_frames, camera):
    # To rounding: a batch of another size may be added up in another order.
    rng = np.random.default_rng(21)
    spots = 11.5 + rng.uniform(-2, 2, (12, 2))
    frames = make_frames(spots, camera, 20000, rng=rng)
    frames[5] = 42
    order = rng.permutation(12)
    together = estimator(frames, camera=camera)
    shuffled = estimator(frames[order], camera=camera)
    alone = [estimator(frames[k : k + 1], camera=camera) for k in range(12)]
    np.testing.assert_array_equal(shuffled.status, together.status[order])
    np.testing.assert_allclose(shuffled.spot_px, together.spot_px[order], rtol=0, atol=1e-9)
    np.testing.assert_allclose(
        np.concatenate([reading.spot_px for reading in alone]), together.spot_px, rtol=0, atol=1e-9
    )


def test_frames_are_not_changed(estimator, make_frames, camera):
    frames = make_frames([[11, 12]], camera, 20000)
    frames.setflags(write=False)
    before = frames.copy()
    estimator(frames, camera=camera)
    np.testing.assert_array_equal(frames, before)


def test_x_and_y_are_treated_alike(estimator, make_frames, camera):
    rng = np.random.default_rng(22)
    spots = 11.5 + rng.uniform(-2, 2, (20, 2))
    frames = make_frames(spots, camera, 20000, rng=rng)
    turned = np.ascontiguousarray(frames.swapaxes(1, 2))
    np.testing.assert_allclose(
        estimator(turned, camera=camera).spot_px,
        estimator(frames, camera=camera).spot_px[:, ::-1],
        atol=1e-9,
    )


def test_dark_frames_are_dim(estimator, camera):
    rng = np.random.default_rng(23)
    dark_e = rng.poisson(20, (50, 24, 24)) + rng.normal(0, 6, (50, 24, 24))
    frames = np.rint(32 + 0.5 * dark_e).astype(np.int32)
    reading = estimator(frames, camera=camera)
    assert np.all(reading.status == SpotStatus.DIM)
    assert np.isnan(reading.spot_px).all()


def test_a_spot_at_the_rim_is_not_ok(estimator, make_frames, camera):
    spots = [[1.0, 11.5], [22.5, 11.5], [11.5, 0.7], [11.5, 22.9], [0.5, 0.5]]
    reading = estimator(make_frames(spots, camera, 20000), camera=camera)
    assert np.all(np.isin(reading.status, [SpotStatus.EDGE, SpotStatus.FAILED]))
    assert np.isnan(reading.spot_px).all()


def strange_frames():
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


@pytest.mark.parametrize("side", [24, 4])
def test_strange_frames_give_a_status_and_never_a_warning(estimator, camera, side):
    frames = np.ascontiguousarray(strange_frames()[:, :side, :side])
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        with np.errstate(all="warn"):
            reading = estimator(frames, camera=camera)
    ok = reading.status == SpotStatus.OK
    assert np.isfinite(reading.flux_dn).all()
    assert np.isfinite(reading.spot_px[ok]).all()
    assert np.isnan(reading.spot_px[~ok]).all()
    assert reading.status[0] == SpotStatus.DIM


@pytest.mark.parametrize(
    ("frames", "message"),
    [
        (np.zeros((24, 24), np.int32), r"must be \(M, H, W\)"),
        (np.zeros((2, 24, 24, 1), np.int32), r"must be \(M, H, W\)"),
        (np.zeros((2, 24, 24)), "whole digital numbers"),
        (np.zeros((2, 0, 24), np.int32), "at least"),
    ],
)
def test_frames_of_the_wrong_kind_are_refused(estimator, camera, frames, message):
    with pytest.raises(ValueError, match=message):
        estimator(frames, camera=camera)
