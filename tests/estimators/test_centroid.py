"""Centres of gravity: exact sums, known biases, known scatter."""

import numpy as np
import pytest
from scipy.stats import chi2, norm

from sim.estimators.centroid import thresholded_centroid, weighted_centroid
from sim.estimators.spot_model import pixel_integrated
from sim.foundations.ports import CameraBelief, SpotStatus
from tests.estimators.spot_formulas import background_gain, centroid_px

BRIGHT_DN = 2_000_000_000
"""Light of a nearly noise-free spot: whole numbers, rounded to 1e-9 of it."""
OPEN = {"min_flux_dn": 1.0, "edge_px": 0.0}


@pytest.fixture
def plain():
    """Return a camera of 1 DN/e without black level, background or noise."""
    return CameraBelief(0.0, 1.0, 0.0, 0.0, 2**31 - 1, 1.2)


def fine_frames(spot_px, sigma_px, shape, background_dn=0.0, light_dn=BRIGHT_DN):
    frames = light_dn * pixel_integrated(spot_px, sigma_px, shape) + background_dn
    return np.rint(frames).astype(np.int32)


def along_x(phase, middle):
    return np.stack([middle + np.asarray(phase), np.full(len(phase), float(middle))], axis=-1)


def test_sums_are_exact_and_the_position_is_one_division(camera):
    # Second route: Python's unbounded whole numbers. Equality, not closeness: a compiled kernel
    # has to agree bit for bit.
    rng = np.random.default_rng(3)
    frames = rng.integers(0, 1024, (50, 24, 20), dtype=np.int32)
    reading = thresholded_centroid(frames, camera=camera, threshold_dn=700, **OPEN)
    for frame, spot, flux in zip(frames.tolist(), reading.spot_px, reading.flux_dn, strict=True):
        lit = [[max(dn - 700, 0) for dn in row] for row in frame]
        total = sum(map(sum, lit))
        x = sum(dn * column for row in lit for column, dn in enumerate(row))
        y = sum(dn * line for line, row in enumerate(lit) for dn in row)
        assert flux == total
        assert tuple(spot) == (float(x) / float(total), float(y) / float(total))


def test_sums_do_not_overflow_where_int32_would(plain):
    frames = np.full((1, 24, 24), 2**31 - 1, dtype=np.int32)
    reading = thresholded_centroid(frames, camera=plain, threshold_dn=0, **OPEN)
    assert reading.flux_dn[0] == 576 * (2**31 - 1)
    np.testing.assert_array_equal(reading.spot_px, [[11.5, 11.5]])


@pytest.mark.parametrize(
    ("sigma", "peak", "tolerance"),
    [(0.3, 5.387e-2, 1e-3), (0.4, 1.353e-2, 1e-3), (0.5, 2.289e-3, 1e-3), (0.6, 2.610e-4, 2e-3)],
)
def test_pixel_phase_error_on_noise_free_frames(plain, sigma, peak, tolerance):
    # Exact: Fourier series of the sampled moment, peak about exp(-2 pi^2 s^2) / pi. Tolerance:
    # four printed digits, plus rounding to whole numbers, about 1e-8 px.
    phase = np.linspace(-0.5, 0.5, 201)
    frames = fine_frames(along_x(phase, 8), sigma, (17, 17))
    reading = thresholded_centroid(frames, camera=plain, threshold_dn=0, **OPEN)
    error = reading.spot_px[:, 0] - (8 + phase)
    assert np.abs(error).max() == pytest.approx(peak, rel=tolerance)
    assert np.all(error[(phase > 0.01) & (phase < 0.49)] < 0)


@pytest.mark.parametrize(
    ("fraction", "peak"),
    [(0.05, 0.0049), (0.1, 0.0031), (0.2, 0.0175), (0.3, 0.0301), (0.5, 0.0218)],
)
def test_threshold_bends_the_reading_within_a_pixel(plain, fraction, peak):
    # Computed independently of this code. The values hold for s = 1.2 px, a spot 0.3 px off the
    # pixel's centre in y, a threshold counted from each frame's brightest pixel, and 101 steps
    # in x: the reference does not state these last three, they were found as the one choice that
    # gives all its figures. Another phase in y gives others; the next test has the worst.
    # Tolerance 2 %, the printed digits.
    phase = np.linspace(0, 1, 101)
    spots = along_x(phase, 8) + [0.0, 0.3]
    assert worst_bend(spots, plain, fraction) == pytest.approx(peak, rel=0.02)


def test_threshold_bends_worse_at_other_phases(plain):
    # Pin of what the guide states, from this code; guards changes only. The largest over both
    # phases is up to three times what the phase of 0.3 px above shows.
    x, y = np.meshgrid(np.linspace(0, 1, 21), np.linspace(0, 0.5, 11))
    spots = 8 + np.stack([x.ravel(), y.ravel()], axis=-1)
    for fraction, worst in ((0.05, 0.008), (0.1, 0.010), (0.2, 0.021), (0.3, 0.041), (0.5, 0.038)):
        assert worst_bend(spots, plain, fraction) == pytest.approx(worst, rel=0.1)


def worst_bend(spots, plain, fraction):
    errors = []
    for frame, spot in zip(fine_frames(spots, 1.2, (19, 19)), spots, strict=True):
        reading = thresholded_centroid(
            frame[None], camera=plain, threshold_dn=int(round(fraction * frame.max())), **OPEN
        )
        errors.append(abs(reading.spot_px[0, 0] - spot[0]))
    return max(errors)


def test_background_left_in_pulls_to_the_middle(plain):
    # Exact: N / (N + n^2 b), here 5000 e, 10 e/px and 16 x 16 px, times 1e5 to be noise-free.
    assert background_gain(5000, 10, (16, 16)) == pytest.approx(0.661376, abs=1e-6)
    spots = along_x([-0.25, 0.25], 7.5)
    frames = fine_frames(spots, 1.2, (16, 16), background_dn=1e6, light_dn=5e8)
    reading = thresholded_centroid(frames, camera=plain, threshold_dn=0, **OPEN)
    assert np.ptp(reading.spot_px[:, 0]) / 0.5 == pytest.approx(0.661376, rel=1e-5)


@pytest.mark.parametrize(
    ("side", "gain", "cut"), [(4, 0.633366, 0.035), (6, 0.911256, 0.006), (8, 0.989709, 6e-4)]
)
def test_a_small_window_shrinks_the_reading(plain, side, gain, cut):
    # Second route: the sum over pixels of lever arm times the profile's derivative, from scipy's
    # normal density. Tolerance 1e-4, the curvature over the step. The closed form is for a cut
    # Gaussian without pixels: whole pixels put their light at their centres, and the gain is
    # lower by `cut`, much where the edge cuts where the spot is bright: 0.6121 for 0.6334 at 4 px.
    lever = np.arange(side) - (side - 1) / 2
    inside = norm.cdf((lever + 0.5) / 1.2) - norm.cdf((lever - 0.5) / 1.2)
    slope = (norm.pdf((lever - 0.5) / 1.2) - norm.pdf((lever + 0.5) / 1.2)) / 1.2
    wanted = lever @ slope / inside.sum()
    spots = along_x([-0.01, 0.01], (side - 1) / 2)
    frames = fine_frames(spots, 1.2, (side, side))
    reading = thresholded_centroid(frames, camera=plain, threshold_dn=0, **OPEN)
    assert np.ptp(reading.spot_px[:, 0]) / 0.02 == pytest.approx(wanted, rel=1e-4)
    assert gain * (1 - cut) < wanted < gain


def test_shot_noise_alone_gives_thompsons_first_term(plain):
    # Source: Thompson, Larson and Webb, Biophys. J. 82 (2002) 2775, first term:
    # var(x) = (s^2 + a^2 / 12) / N. Tolerance: 99.9 % interval of a sample variance.
    n, photons = 4000, 400
    rng = np.random.default_rng(1)
    spots = np.full((n, 2), 12.3)
    frames = rng.poisson(photons * pixel_integrated(spots, 1.3, (25, 25)))
    reading = thresholded_centroid(frames, camera=plain, threshold_dn=0, **OPEN)
    ratio = reading.spot_px.var(axis=0, ddof=1) / ((1.3**2 + 1 / 12) / photons)
    low, high = chi2.ppf([0.0005, 0.9995], n - 1) / (n - 1)
    assert np.all((low < ratio) & (ratio < high)), ratio


@pytest.mark.parametrize(
    ("signal_e", "side", "scatter"),
    [(5000, 16, 0.08900), (5000, 8, 0.02784), (50000, 16, 0.010326), (50000, 8, 0.005930)],
)
def test_plain_centroid_with_background_taken_off(
    make_frames, fine_camera, signal_e, side, scatter
):
    # Exact error propagation. A weight far wider than the window makes the weighted centroid the
    # plain one. Tolerance 3 / sqrt(2 n) of n = 4000 values: 3.4 %.
    n = 2000
    spots = np.full((n, 2), (side - 1) / 2)
    frames = make_frames(
        spots, fine_camera, signal_e, shape=(side, side), rng=np.random.default_rng(2)
    )
    reading = weighted_centroid(frames, camera=fine_camera, weight_sigma_px=1e4, **OPEN)
    assert np.all(reading.status == SpotStatus.OK)
    assert scatter == pytest.approx(centroid_px(signal_e, 1.2, 35.0, side), rel=1e-3)
    assert reading.spot_px.std() == pytest.approx(scatter, rel=3 / np.sqrt(4 * n))


def test_weighted_centroid_is_on_the_spot(make_frames, fine_camera):
    # A Gaussian weight on a Gaussian spot: the fixed point is the spot's centre. Left over: the
    # weight is sampled at pixel centres (1e-8 here) and the iteration's own tolerance.
    rng = np.random.default_rng(4)
    spots = 11.5 + rng.uniform(-3, 3, (40, 2))
    frames = make_frames(spots, fine_camera, 1e7)
    for weight in (1.2, 1.8):
        reading = weighted_centroid(frames, camera=fine_camera, weight_sigma_px=weight, **OPEN)
        np.testing.assert_allclose(reading.spot_px, spots, atol=1e-4)


def test_weighted_centroid_bears_a_wrong_background_and_width(make_frames, fine_camera):
    spots = 11.5 + np.random.default_rng(5).uniform(-1, 1, (40, 2))
    frames = make_frames(spots, fine_camera, 1e6)
    wrong = fine_camera._replace(background_e=14.0, spot_sigma_px=1.6)
    reading = weighted_centroid(frames, camera=wrong, weight_sigma_px=1.2, **OPEN)
    np.testing.assert_allclose(reading.spot_px, spots, atol=3e-4)


def test_weighted_centroid_gives_up_in_the_end(make_frames, camera):
    frames = make_frames([[11.1, 12.2]], camera, 20000)
    reading = weighted_centroid(
        frames, camera=camera, weight_sigma_px=1.8, tolerance_px=1e-12, max_iterations=1, **OPEN
    )
    assert reading.status[0] == SpotStatus.FAILED
    assert np.isnan(reading.spot_px).all()


def test_edge_is_counted_from_the_outermost_centres(plain):
    # One lit pixel: the answer is its centre, exactly on either side of the rule.
    frames = np.zeros((4, 9, 9), dtype=np.int32)
    for spot, (x, y) in enumerate([(2, 4), (1, 4), (4, 6), (4, 7)]):
        frames[spot, y, x] = 100
    reading = thresholded_centroid(
        frames, camera=plain, threshold_dn=0, min_flux_dn=100.0, edge_px=2.0
    )
    ok, edge = SpotStatus.OK, SpotStatus.EDGE
    assert reading.status.tolist() == [ok, edge, ok, edge]
    dim = thresholded_centroid(frames, camera=plain, threshold_dn=0, min_flux_dn=100.5, edge_px=2.0)
    assert dim.status.tolist() == [SpotStatus.DIM] * 4
