"""What every estimator must do, shipped or to come."""

import inspect

import numpy as np
import pytest
from mirrorloop.testing.estimators import CHECKS, check_estimator
from pydantic import ValidationError

from sim.estimators import ESTIMATORS
from sim.estimators.centroid import thresholded_centroid


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
    assert set(kind.Params.meanings()) == set(kind.Params.model_fields)


def test_the_block_refuses_another_name_and_unknown_keys(name, settings):
    params = ESTIMATORS[name].Params
    with pytest.raises(ValidationError, match="kind"):
        params(kind="another", **settings[name])
    with pytest.raises(ValidationError, match="Extra inputs"):
        params(kind=name, **settings[name], colour="red")
    with pytest.raises(ValidationError, match="min_flux_dn"):
        params(kind=name, **(settings[name] | {"min_flux_dn": 0}))


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.__name__)
def test_shipped_estimator_keeps_the_contract(estimator, check):
    check(estimator)


def test_the_smallest_window_is_read_and_a_smaller_one_refused(name, estimator, camera):
    least = {"quad_cell": 2, "thresholded_centroid": 1}.get(name, 3)
    assert estimator(np.full((2, least, least), 60, np.int32), camera=camera).status.shape == (2,)
    for shape in ((1, least - 1, 24), (1, 24, least - 1)):
        with pytest.raises(ValueError, match=f"at least {least} "):
            estimator(np.zeros(shape, np.int32), camera=camera)


def test_the_light_of_a_spot_is_about_what_it_has(estimator, make_frames, camera):
    # 20000 e at 0.5 DN/e: 10 000 DN, less what a threshold takes.
    reading = estimator(make_frames([[11.5, 11.5]], camera, 20000), camera=camera)
    assert np.all((reading.flux_dn > 5000) & (reading.flux_dn < 11000))


def broken(change):
    """Return the thresholded centroid with one fault."""

    def read(frames_dn, *, camera):
        reading = thresholded_centroid(
            frames_dn, camera=camera, threshold_dn=57, min_flux_dn=1000.0, edge_px=2.0
        )
        return change(frames_dn, reading)

    return read


def talk(frames, reading):
    return reading._replace(spot_px=reading.spot_px + 1e-3 * np.nansum(reading.spot_px))


def write(frames, reading):
    frames[:] = 0
    return reading


class Remembers:
    """Breaks a rule: what it read before is still in what it reads."""

    def __init__(self):
        self.last = 0.0

    def __call__(self, frames, reading):
        last, self.last = self.last, float(np.nansum(reading.spot_px))
        return reading._replace(spot_px=reading.spot_px + 1e-6 * last)


@pytest.mark.parametrize(
    ("change", "check"),
    [
        (Remembers(), "nothing_is_remembered"),
        (lambda _, r: r._replace(spot_px=r.spot_px + 0.1), "bright_spots_are_found"),
        (lambda _, r: r._replace(spot_px=r.spot_px.astype(np.float32)), "types_and_shapes"),
        (talk, "spots_do_not_talk"),
        (write, "frames_are_not_changed"),
        (lambda _, r: r._replace(spot_px=r.spot_px * [1, 1.0001]), "x_and_y_alike"),
        (lambda _, r: r._replace(spot_px=np.nan_to_num(r.spot_px)), "dark_frames_are_dim"),
        (lambda _, r: r._replace(status=0 * r.status), "a_spot_at_the_edge_is_not_ok"),
        (lambda _, r: r._replace(flux_dn=r.flux_dn * np.nan), "strange_frames"),
    ],
)
def test_contract_catches_a_broken_estimator(change, check):
    (one,) = (c for c in CHECKS if c.__name__ == f"check_{check}")
    with pytest.raises((AssertionError, ValueError)):
        one(broken(change))
    with pytest.raises((AssertionError, ValueError)):
        check_estimator(broken(change))


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
