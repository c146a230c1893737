"""The camera: spot, noise and numbers against closed forms and scipy's distributions."""

from types import ModuleType

import numpy as np
import pytest
from scipy import stats
from scipy.special import erf

from sim.camera.exposure import Images, PixelNoise
from sim.camera.settings import Camera, CameraParams, believed, make_camera, window_origin
from sim.foundations.errors import ScenarioError
from sim.kernels import compiled, plain
from sim.scenario.check import check_block

SETTINGS = {
    "frame_hz": 1000.0, "exposure_us": 300.0, "latency_us": 700.0, "window_px": (24, 24),
    "scale_px_per_mrad": 0.5, "spot_sigma_px": 1.8, "signal_e": 20000.0, "background_e": 20.0,
    "read_noise_e": 6.0, "full_well_e": 1900.0, "gain_dn_per_e": 0.5, "black_dn": 32.0, "bits": 10,
}  # fmt: skip
FAR_PX = 1e4
NOISES = {"fast": 1, "exact": 2}


def frames(
    camera: Camera, position: np.ndarray, noise: int = 0, shape: tuple = (24, 24), frame: int = 0,
    kernels: ModuleType = compiled,
) -> np.ndarray:  # fmt: skip
    m = position.shape[-1]
    out = np.zeros((m, *shape), np.int32)
    sums = np.zeros((3, m), np.int64)
    kernels.expose(
        Images(out, sums, 0, True), position, np.arange(m), camera, PixelNoise(noise, frame, 3, 1)
    )
    return out


def flat(
    mean_e: float, read_noise_e: float, noise: int, n: int = 300000, kernels: ModuleType = compiled
) -> np.ndarray:
    """Electrons of pixels lit evenly, by a fine converter: 64 DN an electron."""
    gain = 64.0 if mean_e < 400 else 16.0
    camera = Camera(1.0, 0.0, mean_e, read_noise_e, gain, 4000.0, 1e9, 2.0**23)
    dark = np.full((1, 2, n // 10000), FAR_PX)
    return (frames(camera, dark, noise, (100, 100), kernels=kernels).ravel() - 4000.0) / gain


@pytest.mark.parametrize("noise", ["fast", "exact"])
@pytest.mark.parametrize(("mean_e", "read_noise_e"), [(3.0, 6.0), (20.0, 6.0), (300.0, 2.0)])
def test_pixel_noise_has_the_moments_of_poisson_plus_normal(
    noise: str, mean_e: float, read_noise_e: float
) -> None:
    """Mean mu, variance mu + rho^2, third central moment mu (both distributions' cumulants add).

    Intervals of 4.5 sigma of 300000 draws. The skewed normal adds (mu / (mu + rho^2))^2 / 18 to
    the variance, 0.056 e2 at most: allowed for, since it is within the interval only just.
    """
    e = flat(mean_e, read_noise_e, NOISES[noise])
    n, var = e.size, mean_e + read_noise_e**2
    extra = (mean_e / var) ** 2 / 18 if noise == "fast" else 0.0
    assert abs(e.mean() - mean_e) < 4.5 * np.sqrt(var / n) + 1e-3
    assert abs(e.var() - var - extra) < 4.5 * var * np.sqrt((2 + 1 / var) / n)
    third = ((e - e.mean()) ** 3).mean()
    assert abs(third - mean_e) < 4.5 * np.sqrt(6 * 1.1 / n) * var**1.5


@pytest.mark.parametrize("kernels", [compiled, plain], ids=["compiled", "plain"])
@pytest.mark.parametrize("mean_e", [0.5, 4.0, 9.9, 10.1, 40.0, 800.0])
def test_exact_noise_is_poisson(mean_e: float, kernels: ModuleType) -> None:
    """Chi-square over the counts without read noise, against scipy's Poisson; both methods."""
    counts = np.round(flat(mean_e, 0.0, 2, 200000, kernels)).astype(int)
    low, high = stats.poisson.ppf([1e-4, 1 - 1e-4], mean_e).astype(int)
    seen = np.bincount(np.clip(counts, low, high) - low, minlength=high - low + 1)
    k = np.arange(low, high + 1)
    p = stats.poisson.pmf(k, mean_e)
    p[0] = stats.poisson.cdf(low, mean_e)
    p[-1] = stats.poisson.sf(high - 1, mean_e)
    assert stats.chisquare(seen, p * counts.size).pvalue > 1e-3


@pytest.mark.parametrize("kernels", [compiled, plain], ids=["compiled", "plain"])
def test_no_light_gives_no_electrons(kernels: ModuleType) -> None:
    """Poisson with mean zero is zero."""
    assert (flat(0.0, 0.0, 2, 10000, kernels) == 0).all()


@pytest.mark.parametrize("kernels", [compiled, plain], ids=["compiled", "plain"])
def test_exact_noise_agrees_with_scipy_draws(kernels: ModuleType) -> None:
    """Kolmogorov and Smirnov, two samples, at 1e-3: scipy's Poisson plus its normal."""
    e = flat(20.0, 6.0, 2, 200000, kernels)
    rng = np.random.default_rng(6)
    other = stats.poisson.rvs(20.0, size=200000, random_state=rng) + stats.norm.rvs(
        0.0, 6.0, size=200000, random_state=rng
    )
    assert stats.ks_2samp(e, other).pvalue > 1e-3


def test_pixels_are_independent_in_place_time_and_mirror() -> None:
    camera = make_camera(CameraParams(**SETTINGS))
    dark = np.full((1, 2, 400), FAR_PX)
    a, b = (frames(camera, dark, 1, frame=k).reshape(400, -1).astype(float) for k in (0, 1))
    n = a.size
    a -= a.mean()
    b -= b.mean()
    for x, y in ((a, b), (a[:-1], a[1:]), (a[:, :-1], a[:, 1:]), (a[:, :-24], a[:, 24:]),
                 (a[:, :-144], a[:, 144:]), (a[:, :-288], a[:, 288:])):  # fmt: skip
        assert abs((x * y).mean()) / a.var() < 4.5 / np.sqrt(0.5 * n)


def test_mean_variance_line_gives_back_gain_and_dark_noise() -> None:
    """EMVA Standard 1288, Release 4.0 Linear: K is the slope of variance over mean, dark removed.

    sigma_d = sqrt(var_dark - 1/12) / K, here with 2 e- of dark signal in it. 172800 pixels a
    level: the slope is good to 0.3 %, the dark noise to 0.4 %; leaving out the 1/12 would be
    wrong by 2.4 %.
    """
    gain, read_noise = 0.25, 5.0
    levels = np.r_[2.0, np.linspace(100.0, 7000.0, 12)]
    means, variances = [], []
    for level in levels:
        camera = Camera(1.8, 0.0, level, read_noise, gain, 32.0, 1e5, 4095.0)
        dn = frames(camera, np.full((1, 2, 300), FAR_PX), 2).astype(float)
        means.append(dn.mean() - 32.0)
        variances.append(dn.var())
    x, y = np.array(means[1:]) - means[0], np.array(variances[1:]) - variances[0]
    slope = (x / y).sum() / ((x / y) ** 2).sum()  # relative weights
    assert slope == pytest.approx(gain, rel=0.01)
    assert np.array(means) == pytest.approx(gain * levels, abs=0.2)
    dark = np.sqrt(variances[0] - 1 / 12) / slope
    assert dark == pytest.approx(np.sqrt(read_noise**2 + 2.0), rel=0.015)


def test_well_and_converter_clip() -> None:
    camera = Camera(1.8, 0.0, 5000.0, 0.0, 0.5, 32.0, 1900.0, 1023.0)
    dark = np.full((1, 2, 1), FAR_PX)
    assert (frames(camera, dark) == 982).all()
    assert (frames(camera._replace(full_well_e=1e6), dark) == 1023).all()
    assert (frames(camera._replace(background_e=-200.0), dark) == 0).all()
    assert (frames(camera._replace(background_e=101.0), dark) == 83).all()  # 82.5 goes up


def fine_spot(sigma: float, x0: np.ndarray, moving: float = 0.0) -> np.ndarray:
    """Spots without noise on a converter of 2^23 levels: (M, 24, 24) electrons."""
    camera = Camera(sigma, 1.0, 0.0, 0.0, 2.0**22, 0.0, 10.0, 2.0**23)
    samples = 64 if moving else 1
    along = moving * ((np.arange(samples) + 0.5) / samples - 0.5)
    position = np.stack([x0[None] + along[:, None], np.full((samples, len(x0)), 11.3)], axis=1)
    return frames(camera, position) / 2.0**22


def test_spot_is_integrated_over_each_pixel() -> None:
    """Differences of the error function; the kernel's is good to 3e-7, Abramowitz and Stegun."""
    x0 = np.array([11.0, 11.4, 12.25])
    edge = np.arange(25) - 0.5
    got = fine_spot(0.8, x0)
    y = np.diff(erf((edge - 11.3) / (np.sqrt(2) * 0.8))) / 2
    for i, x in enumerate(x0):
        column = np.diff(erf((edge - x) / (np.sqrt(2) * 0.8))) / 2
        assert got[i] == pytest.approx(np.outer(y, column), abs=2e-6)


@pytest.mark.parametrize(("sigma", "peak"), [(0.3, 5.387e-2), (0.4, 1.353e-2), (0.5, 2.289e-3)])
def test_centroid_errs_with_the_pixel_phase(sigma: float, peak: float) -> None:
    """e = sum over m of (-1)^m / (pi m) exp(-2 pi^2 s^2 m^2) sin(2 pi m x), towards the centre.

    Derived by Poisson summation for full pixels, checked here against the series. Tolerance: the
    single precision of 24 columns, up to 12 px out: 1e-5 px. A spot sampled at pixel centres
    instead of integrated would err ten times as far at 0.5 px.
    """
    x0 = 11.0 + np.linspace(-0.5, 0.5, 41)
    image = fine_spot(sigma, x0)
    centroid = (image.sum(axis=1) @ np.arange(24)) / image.sum(axis=(1, 2))
    m = np.arange(1, 6)[:, None]
    weight = (-1.0) ** m / (np.pi * m) * np.exp(-2 * (np.pi * sigma * m) ** 2)
    series = (weight * np.sin(2 * np.pi * m * x0)).sum(axis=0)
    assert np.abs(series).max() == pytest.approx(peak, rel=0.02)
    assert centroid - x0 == pytest.approx(series, abs=2e-5)


def test_moving_spot_is_smeared_evenly() -> None:
    """A straight move by L widens the spot's variance by L^2/12 (less its sampling, L^2/12/S^2).

    sigma^2 + 1/12 + L^2/12: second moments of spot, pixel and path add.
    """
    image = fine_spot(1.0, np.array([11.5]), moving=3.0)[0]
    x = np.arange(24)
    column = image.sum(axis=0) / image.sum()
    mean = column @ x
    assert mean == pytest.approx(11.5, abs=1e-4)
    assert column @ (x - mean) ** 2 == pytest.approx(1 + 1 / 12 + 9 / 12, rel=1e-3)


def test_window_is_centred_on_the_spot() -> None:
    rng = np.random.default_rng(0)
    expected = rng.uniform(-100, 100, (1000, 2))
    for window in ((24, 24), (7, 12)):
        corner = window_origin(expected, window)
        assert np.array_equal(corner, np.round(corner))
        middle = corner + 0.5 * np.array([window[1] - 1, window[0] - 1])
        assert np.abs(middle - expected).max() <= 0.5 + 1e-9


def test_firmware_knows_the_camera_as_it_is() -> None:
    belief = believed(make_camera(CameraParams(**SETTINGS)))
    assert belief == (32.0, 0.5, 20.0, 6.0, 1023, 1.8)


def test_fast_noise_refuses_a_camera_without_read_noise() -> None:
    bad = SETTINGS | {"read_noise_e": 0.5}
    with pytest.raises(ScenarioError, match="read_noise_e >= 1, got 0.5"):
        check_block(CameraParams, bad, "camera")
    check_block(CameraParams, bad | {"noise": "exact"}, "camera")


def test_plain_twin_draws_the_same_spot() -> None:
    camera = make_camera(CameraParams(**SETTINGS))
    position = np.full((2, 2, 1), 10.3)
    out = np.zeros((1, 24, 24), np.int32)
    images = Images(out, np.zeros((3, 1), np.int64), 0, True)
    plain.expose(images, position, np.array([0]), camera, PixelNoise(0, 0, 3, 1))
    assert np.abs(out - frames(camera, position)).max() <= 1
