"""Which estimators survive a ghost, hot pixels and a neighbour's light: the guide's table.

Demo spot of 20 000 e within 1 px of the window's middle. *Survives* means: rms error below
0.03 px (the bound is 0.0157 px) in spots that read OK, and at least 99 % of them do.
"""

import numpy as np
import pytest

from sim.estimators import ESTIMATORS
from sim.estimators.spot_model import pixel_integrated
from sim.foundations.ports import SpotStatus

SURVIVES_BELOW_PX = 0.03
SURVIVORS = {
    "clean": set(ESTIMATORS) - {"log_peak"},
    "ghost": {"components", "gaussian_fit", "matched_filter", "weighted_centroid"},
    "hot": {"components"},
    "spill": set(ESTIMATORS) - {"log_peak", "quad_cell", "thresholded_centroid"},
}


@pytest.fixture(scope="module")
def scene():
    rng = np.random.default_rng(17)
    spots = 11.5 + rng.uniform(-1, 1, (500, 2))
    angle = rng.uniform(0, 2 * np.pi, 500)
    aside = spots + 6 * np.stack([np.cos(angle), np.sin(angle)], axis=-1)
    beyond = np.stack([np.full(500, 25.0), spots[:, 1]], axis=-1)
    hot = rng.random((500, 24, 24)) < 0.001
    extra = {
        "clean": np.zeros((1, 1, 1)),
        "ghost": 1000 * pixel_integrated(aside, 1.8, (24, 24)),
        "hot": np.where(hot, rng.uniform(500, 3000, hot.shape), 0.0),
        "spill": 10000 * pixel_integrated(beyond, 1.8, (24, 24)),
    }
    return spots, extra


@pytest.mark.parametrize("fault", sorted(SURVIVORS))
def test_who_survives(fault, scene, make_frames, camera, settings):
    # 500 spots: the rms of these 1000 values is known to 3 / sqrt(2000) = 7 %. Nearest to the line
    # is the quad cell in clean frames, 9 % below.
    spots, extra = scene
    rng = np.random.default_rng(18)
    frames = make_frames(spots, camera, 20000, rng=rng, extra_e=extra[fault])
    survivors = set()
    for name, kind in ESTIMATORS.items():
        reading = kind.function(frames, camera=camera, **settings[name])
        ok = reading.status == SpotStatus.OK
        rms_px = np.sqrt(((reading.spot_px - spots)[ok] ** 2).mean())
        if ok.mean() > 0.99 and rms_px < SURVIVES_BELOW_PX:
            survivors.add(name)
    assert survivors == SURVIVORS[fault]


@pytest.mark.parametrize(
    ("fault", "chooser_px", "plain_px"),
    [("ghost", 0.025, 0.05), ("hot", 0.025, 0.3), ("spill", 0.025, 0.5)],
)
def test_the_chooser_holds_where_the_plain_centroid_does_not(
    fault, chooser_px, plain_px, scene, make_frames, camera, settings
):
    # The plain one is pulled by the intruder's light times its distance. Its threshold here is
    # just above the noise; the next test has what a higher one mends and what it does not.
    spots, extra = scene
    frames = make_frames(
        spots, camera, 20000, rng=np.random.default_rng(19), extra_e=extra[fault]
    )
    for name, holds in (("components", True), ("thresholded_centroid", False)):
        reading = ESTIMATORS[name].function(frames, camera=camera, **settings[name])
        assert np.all(reading.status == SpotStatus.OK)
        rms_px = np.sqrt(((reading.spot_px - spots) ** 2).mean())
        assert rms_px < chooser_px if holds else rms_px > plain_px


@pytest.mark.parametrize(("fault", "survived"), [("ghost", True), ("hot", False), ("spill", False)])
def test_a_higher_threshold_helps_the_plain_centroid_for_a_ghost_only(
    fault, survived, scene, make_frames, camera, settings
):
    # 116 DN is where the chooser's 15 % of the peak puts its own threshold, so this is the two
    # on equal terms: with the ghost the chooser has no advantage that the threshold does not.
    spots, extra = scene
    frames = make_frames(
        spots, camera, 20000, rng=np.random.default_rng(19), extra_e=extra[fault]
    )
    own = settings["thresholded_centroid"] | {"threshold_dn": 116}
    reading = ESTIMATORS["thresholded_centroid"].function(frames, camera=camera, **own)
    rms_px = np.sqrt(np.nanmean((reading.spot_px - spots) ** 2))
    assert (rms_px < SURVIVES_BELOW_PX) == survived


@pytest.mark.parametrize("name", sorted(set(ESTIMATORS) - {"quad_cell"}))
def test_two_and_a_half_sigma_from_the_edge_is_enough(name, make_frames, camera, settings):
    # Noise-free, so what is seen is bias; half a digital number of rounding is 0.003 px of it.
    spots = [[4.5, 11.0], [18.5, 11.0], [11.0, 4.5], [11.0, 18.5]]
    reading = ESTIMATORS[name].function(
        make_frames(spots, camera, 20000), camera=camera, **settings[name]
    )
    np.testing.assert_allclose(reading.spot_px, spots, atol=0.004)


@pytest.mark.parametrize(
    ("name", "bias_px"),
    [
        ("gaussian_fit", 0.0),
        ("poisson_fit", 0.0),
        ("log_peak", 0.0),
        ("matched_filter", -0.045),
        ("thresholded_centroid", 0.204),
        ("weighted_centroid", 0.131),
    ],
)
def test_nearer_to_the_edge_some_are_wrong_and_say_ok(name, bias_px, make_frames, camera, settings):
    # Pin of what the guide warns of, from this code, at 2 px from the outermost centres.
    own = settings[name] | {"edge_px": 0.0}
    reading = ESTIMATORS[name].function(
        make_frames([[2.0, 11.0]], camera, 20000), camera=camera, **own
    )
    assert reading.status[0] == SpotStatus.OK
    assert reading.spot_px[0, 0] - 2.0 == pytest.approx(bias_px, abs=0.005)
