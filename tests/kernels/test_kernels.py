"""Compiled kernels against their plain twins, and against themselves on more threads."""

from types import ModuleType
from typing import Any

import numpy as np
import pytest

from sim.camera.exposure import (
    Images,
    PixelNoise,
    ReadingRule,
    Readings,
    Sampling,
    empty_readings,
)
from sim.camera.settings import Camera
from sim.kernels import compiled, plain
from sim.kernels.observed import ErrorTraces
from sim.kernels.threads import on_threads
from sim.mirror.motion import Asked, Forcing, Moving
from tests.rig import Rig
from tests.watching import by_form

CAMERA = Camera(1.8, 20000.0, 20.0, 6.0, 0.5, 32.0, 1900.0, 1023.0)
BOTH = (compiled, plain)


def moved(
    kernels: ModuleType, comb: str, substeps: int, noisy: bool, m: int = 37, still: bool = False
) -> dict[str, Any]:
    """One eventful frame of some mirrors, in two pieces, with everything on."""
    n = 20
    rig = Rig(
        tuple(range(5, 5 + m)), substeps, kernels, comb=comb, bits=14, slew_v_per_us=0.4,
        noise_uv_per_rthz=300.0, cubic_per_rad2=(4.0, 9.0), cross_axis=(0.01, -0.02),
        imbalance_rad_s2_per_m_s2=((20.0, 1.0, 2.0), (-3.0, 18.0, 0.5)),
        resonance_spread_pct=5.0, quality_spread_pct=5.0, gain_spread_pct=3.0,
        imbalance_spread_rad_s2_per_m_s2=2.0, calibration_error_pct=0.5, travel_mrad=(25.0, 30.0),
    )  # fmt: skip
    rng = np.random.default_rng(2)
    rig.moving.tilt[:] = rng.uniform(-0.024, 0.024, (2, m))
    rig.moving.rate[:] = rng.normal(0.0, 30.0, (2, m))
    rig.moving.volt[:] = rng.uniform(-80.0, 80.0, (2, m))
    noise = np.zeros((n if noisy else 0, 2, m), np.float32)
    if noisy:
        compiled.fill_normals(noise, rig.mirrors, 0, 3, (9, 2))
    history = np.zeros((n + 1, 2, m))
    history[0] = rig.moving.tilt
    path = rng.uniform(-0.04, 0.04, (1 if still else n, 2, m))
    before, after = rng.normal(0.0, 2e-3, (2, 2, m))
    rest = rng.normal(0.0, 1e-4, (2, 2, m))
    acceleration = rng.normal(0.0, 30.0, (n + 1, 3))
    asked = Asked(path, before, after, 9)
    forcing = Forcing(acceleration, rest[0], rest[1], 0.01, -0.02, noise)
    for first, last in ((0, 14), (14, n)):
        kernels.advance(rig.moving, history, first, last, asked, forcing, rig.fleet, rig.drive)
    return {**rig.moving._asdict(), "history": history, "noise": noise}


@pytest.mark.parametrize("comb", ["push_pull", "single_sided"])
@pytest.mark.parametrize(("substeps", "noisy"), [(1, True), (3, True), (1, False)])
@pytest.mark.parametrize(("m", "still"), [(37, False), (37, True), (9, False), (31, True)])
def test_plant_agrees_with_its_twin(
    comb: str, substeps: int, noisy: bool, m: int, still: bool
) -> None:
    """To rounding: sums are taken in another order, so about 1e-15 a step, 60 steps.

    The noise is drawn once for both: normals have a bound of their own.
    """
    fast, plain = (moved(kernels, comb, substeps, noisy, m, still) for kernels in BOTH)
    assert np.array_equal(fast["stops"], plain["stops"])
    assert 0 < fast["stops"].sum() < m * 20
    for name in ("tilt", "rate", "volt", "history"):
        size = np.abs(plain[name]).max()
        assert fast[name] == pytest.approx(plain[name], abs=1e-13 * size), name


def test_noise_is_on_and_corrections_change_on_their_tick() -> None:
    quiet, noisy = (moved(compiled, "push_pull", 1, on) for on in (False, True))
    assert np.abs(quiet["history"] - noisy["history"]).max() > 1e-7
    rig = Rig(slew_v_per_us=100.0)
    n = 8
    zero, step = np.zeros((2, 1)), np.full((2, 1), 1e-3)
    history = np.zeros((n + 1, 2, 1))
    rig.kernels.advance(
        rig.moving, history, 0, n, Asked(np.zeros((n, 2, 1)), zero, step, 5),
        Forcing(np.zeros((n + 1, 3)), zero, zero, 0.0, 0.0, np.zeros((0, 2, 1), np.float32)),
        rig.fleet, rig.drive,
    )  # fmt: skip
    assert (history[:6] == 0).all() and (history[6:] != 0).all()


def exposed(kernels: ModuleType, noise: int, m: int = 21, shape: tuple = (24, 24)) -> tuple:
    rng = np.random.default_rng(5)
    position = rng.uniform(2.0, 21.0, (4, 2, m))
    position[:, :, :3] = [[[30.0, -5.0, 11.5]]]
    frames = np.zeros((m, *shape), np.int32)
    sums = np.zeros((3, m), np.int64)
    kernels.expose(
        Images(frames, sums, 60, True), position, np.arange(m) + 90, CAMERA,
        PixelNoise(noise, 12, 77, 1),
    )  # fmt: skip
    return frames, sums


def within_one_dn(fast: np.ndarray, plain: np.ndarray, share: float = 1e-3) -> None:
    """Single precision and a polynomial for erf (within 3e-7) against double precision and erf.

    A level of up to 1e4 DN is then within a few thousandths of a DN, and the floor falls on the
    other side of as many pixels in a thousand at the most.
    """
    apart = np.abs(fast.astype(np.int64) - plain)
    assert apart.max() <= 1
    assert (apart > 0).mean() < share


@pytest.mark.parametrize("noise", [0, 1])
@pytest.mark.parametrize("shape", [(24, 24), (7, 5)])
def test_pixels_agree_with_their_twin_within_one_dn(noise: int, shape: tuple) -> None:
    (frames, sums), (meant, meant_sums) = (exposed(k, noise, m=400, shape=shape) for k in BOTH)
    within_one_dn(frames, meant)
    flipped = (frames != meant).sum(axis=(1, 2))
    for i, lever in enumerate((1, shape[1] - 1, shape[0] - 1)):
        assert (np.abs(sums[i] - meant_sums[i]) <= lever * flipped).all()
    if shape == (24, 24):
        assert frames.max() > 300
        assert (frames != meant).any(), "alike to the bit: this bound would test nothing"


def test_exact_noise_of_the_plain_kernels_belongs_to_mirror_and_frame() -> None:
    """Windows without a spot hold 20 e- of light and 6 e- of read noise: 42 DN, from 56 e2.

    Poisson's variance is its mean, read noise adds its square, rounding 1/12 DN2. Intervals of 4.5
    sigma; the sum of products of independent pixels is normal, of variance one by number.
    """
    mirrors, shape = np.arange(90, 290), (24, 24)

    def images(some: np.ndarray, frame: int) -> np.ndarray:
        frames = np.zeros((len(some), *shape), np.int32)
        noise = PixelNoise(2, frame, 77, 1)
        far = np.full((1, 2, len(some)), 1e4)
        sums = np.zeros((3, len(some)), np.int64)
        plain.expose(Images(frames, sums, 60, True), far, some, CAMERA, noise)
        return frames

    first, second = (images(mirrors, frame).astype(float) for frame in (12, 13))
    n, variance = first.size, 0.25 * (20 + 36) + 1 / 12
    assert abs(first.mean() - 42.0) < 4.5 * np.sqrt(variance / n)
    assert abs(first.var() - variance) < 4.5 * variance * np.sqrt((2 + 1 / 56) / n)
    a, b = ((each - 42.0) / np.sqrt(variance) for each in (first, second))
    for x, y in ((a, b), (a[:-1], a[1:]), (a[:, 1:], a[:, :-1]), (a[..., 1:], a[..., :-1])):
        assert abs((x * y).sum()) < 4.5 * np.sqrt(x.size)
    assert np.array_equal(first, images(mirrors, 12))
    assert np.array_equal(first[::-3], images(mirrors[::-3], 12))
    with on_threads(3):
        assert np.array_equal(first[50:60], images(mirrors[50:60], 12))


def test_normals_agree_with_their_twin() -> None:
    """The square of the radius is within 3e-7: so is the radius times itself, but near zero."""
    fast, plain = (np.zeros((400, 2, 500), np.float32) for _ in BOTH)
    for kernels, out in zip(BOTH, (fast, plain), strict=True):
        kernels.fill_normals(out, np.arange(500), 0, 3, (9, 2))
    apart = np.abs(fast - plain)
    assert apart.max() < np.sqrt(3e-7)
    assert (apart[np.abs(plain) > 0.5]).max() < 2e-6
    assert np.abs(plain).max() > 4.0


def test_sums_are_those_of_the_frames() -> None:
    for noise in (0, 1, 2):
        frames, sums = exposed(compiled, noise)
        above = np.maximum(frames.astype(np.int64) - 60, 0)
        y, x = np.mgrid[:24, :24]
        expected = np.stack([(above * w).sum(axis=(1, 2)) for w in (1, x, y)])
        assert np.array_equal(sums, expected)


@pytest.mark.parametrize("noise", [1, 2])
def test_two_threads_give_the_bits_of_one(noise: int) -> None:
    results = []
    for count in (1, 2):
        with on_threads(count):
            state = moved(compiled, "push_pull", 3, True)
            results.append([*state.values(), *exposed(compiled, noise, m=53)])
    for a, b in zip(*results, strict=True):
        assert np.array_equal(a, b)


@pytest.mark.parametrize("delayed", [False, True])
def test_paths_and_readings_agree_with_their_twins(delayed: bool) -> None:
    """Paths to a rounding of some 20 px; readings bit for bit."""
    m = 37
    rng = np.random.default_rng(8)
    history = rng.normal(0.0, 2e-3, (21, 2, m))
    shift = rng.normal(0.0, 1e-4, (21, 2))
    origin = rng.integers(-20, 20, (2, m)).astype(float)
    delay = rng.uniform(0.0, 25.0, m) if delayed else np.zeros(0)
    sums = np.stack([rng.integers(0, 9000, m), *rng.integers(0, 200000, (2, m))])
    sums[:, :2] = 0
    found = []
    for kernels in BOTH:
        position = np.zeros((4, 2, m))
        samples = np.array([0.75, 2.25, 3.75, 5.25])
        kernels.spot_paths(position, history, shift, Sampling(samples, delay, 500.0), origin)
        readings = empty_readings(m)
        kernels.centres(readings, sums, ReadingRule(24, 20, 1500.0, 4.5))
        found.append((*readings, position))
    *fast, path = found[0]
    *plain, plain_path = found[1]
    assert path == pytest.approx(plain_path, abs=1e-13)
    for a, b in zip(fast, plain, strict=True):
        assert np.array_equal(a, b, equal_nan=a.dtype == float)
    assert set(fast[2].tolist()) == {0, 1, 2}


def observed(kernels: ModuleType, interval: int, m: int = 6) -> list:
    """Three frames of 20 ticks, the last cut off by the end of the traces."""
    c, rows = 3, 50 // interval
    rng = np.random.default_rng(4)
    aim = rng.normal(0.0, 1e-2, (2, m))
    pairs = np.array([[0, 4], [1, 3], [2, 5]])
    root = rng.normal(0.0, 1e3, (c, 4, 4))
    form = root @ root.transpose(0, 2, 1)
    f4, i4 = np.float32, np.int32
    a = [np.zeros((rows, m, 2), f4), np.zeros((rows, m, 2), f4), np.zeros((rows, m), f4),
         np.zeros((rows, m), f4), np.zeros((rows, m), i4), np.zeros((rows, m), i4)]  # fmt: skip
    b = [*np.zeros((3, rows, c), f4), *np.zeros((3, rows, c), i4)]
    histories = aim + rng.normal(0.0, 2e-4, (3, 21, 2, m))
    for frame, history in enumerate(histories):
        kernels.observe_mirrors(20 * frame, history, aim, 3e-4, ErrorTraces(interval, *a))
        kernels.observe_connections(
            frame, history[None], by_form(aim, pairs, form, 0.8, interval, b)
        )
    return [*a, *b, histories, aim, pairs, form]


@pytest.mark.parametrize("interval", [1, 5, 20])
@pytest.mark.parametrize("m", [6, 15, 16, 25])
def test_observers_agree_with_their_twins(interval: int, m: int) -> None:
    """Single precision, the same additions in the same order; 1e-6 leaves one bit of rounding."""
    for fast, meant in zip(*(observed(kernels, interval, m) for kernels in BOTH), strict=True):
        if np.issubdtype(fast.dtype, np.integer):
            assert np.array_equal(fast, meant)
        else:
            np.testing.assert_allclose(fast, meant, rtol=1e-6, atol=1e-12)


def test_observers_say_what_they_mean() -> None:
    """Worked out from the whole history at once, in double precision."""
    interval = 5
    error, mean, square, peak, first, last, *rest = observed(compiled, interval)
    excess, excess_mean, excess_peak, out_first, out_last, out_ticks, *setting = rest
    histories, aim, pairs, form = setting
    e = (histories[:, 1:] - aim).reshape(60, 2, 6)[:50].reshape(10, 5, 2, 6)
    radial = np.hypot(e[:, :, 0], e[:, :, 1])
    np.testing.assert_allclose(error, e[:, -1].transpose(0, 2, 1), rtol=1e-6)
    np.testing.assert_allclose(mean, e.mean(1).transpose(0, 2, 1), rtol=1e-4, atol=1e-10)
    np.testing.assert_allclose(square, (radial**2).mean(1), rtol=1e-5)
    np.testing.assert_allclose(peak, radial.max(1), rtol=1e-6)
    check_marks(radial > 3e-4, first, last)
    four = e[..., pairs].transpose(0, 1, 3, 4, 2).reshape(10, 5, 3, 4)
    loss = np.einsum("tnci,cij,tncj->tnc", four, form, four)
    np.testing.assert_allclose(excess, loss[:, -1], rtol=1e-5)
    np.testing.assert_allclose(excess_mean, loss.mean(1), rtol=1e-5)
    np.testing.assert_allclose(excess_peak, loss.max(1), rtol=1e-5)
    check_marks(loss > 0.8, out_first, out_last)
    assert np.array_equal(out_ticks, (loss > 0.8).sum(1))
    assert 0 < out_ticks.sum() < 150


def check_marks(out: np.ndarray, first: np.ndarray, last: np.ndarray) -> None:
    at = np.arange(1, 6)[:, None]
    assert np.array_equal(last, np.where(out, at, 0).max(1))
    assert np.array_equal(first, np.where(out.any(1), np.where(out, at, 9).min(1), 0))


class Guards:
    """Arrays of zeros with a marked strip behind each; lanes check no bounds."""

    def __init__(self) -> None:
        self.strips: list[np.ndarray] = []

    def zeros(self, shape: tuple[int, ...], dtype: type = float) -> np.ndarray:
        size = int(np.prod(shape))
        whole = np.full(size + 64, 77, dtype)
        whole[:size] = 0
        self.strips.append(whole[size:])
        return whole[:size].reshape(shape)

    def untouched(self) -> bool:
        return all((strip == 77).all() for strip in self.strips)


@pytest.mark.parametrize("m", [1, 7, 8, 9, 15, 16, 17, 31])
@pytest.mark.parametrize("shape", [(7, 5), (9, 9), (8, 13)])
def test_no_kernel_writes_behind_its_arrays(m: int, shape: tuple[int, int]) -> None:
    k, guards = compiled, Guards()
    zeros = guards.zeros
    for n_ticks in (1, 2, 3, 5, 20):
        noise = zeros((n_ticks, 2, m), np.float32)
        k.fill_normals(noise, np.arange(m), 0, 3, (9, 2))
        assert (noise != 0).all()
    rig = Rig(tuple(range(m)))
    tilt, rate, volt, history = (zeros((2, m)), zeros((2, m)), zeros((2, m)), zeros((21, 2, m)))
    still, stops = np.full((2, m), 1e-3), zeros((m,), np.int64)
    k.advance(
        Moving(tilt, rate, volt, stops), history, 0, 20, Asked(still[None], still, still, 9),
        Forcing(np.zeros((21, 3)), still, still, 0.0, 0.0, noise), rig.fleet, rig.drive,
    )  # fmt: skip
    assert (history[1:] != 0).all()
    position = zeros((2, 2, m))
    sampling = Sampling(np.array([2.5, 7.5]), np.zeros(0), 900.0)
    k.spot_paths(position, history, np.zeros((21, 2)), sampling, np.full((2, m), -3.0))
    frames, sums = zeros((m, *shape), np.int32), zeros((3, m), np.int64)
    k.expose(
        Images(frames, sums, 60, True), position, np.arange(m), CAMERA, PixelNoise(1, 4, 7, 1)
    )
    readings = Readings(zeros((2, m)), zeros((m,)), zeros((m,), np.uint8))
    k.centres(readings, sums, ReadingRule(*shape, 10.0, 0.5))
    assert (sums[0] > 0).all()
    for interval in (5, 20, 50):
        rows, f4, i4 = max(20 // interval, 1), np.float32, np.int32
        a = [zeros((rows, m, 2), f4), zeros((rows, m, 2), f4), zeros((rows, m), f4),
             zeros((rows, m), f4), zeros((rows, m), i4), zeros((rows, m), i4)]  # fmt: skip
        b = [*(zeros((rows, m), f4) for _ in range(3)), *(zeros((rows, m), i4) for _ in range(3))]
        pairs = np.stack([np.arange(m), np.arange(m)[::-1]], axis=-1)
        form = np.broadcast_to(np.eye(4), (m, 4, 4)).copy()
        k.observe_mirrors(0, history, np.zeros((2, m)), 1e-9, ErrorTraces(interval, *a))
        k.observe_connections(
            0, history[None], by_form(np.zeros((2, m)), pairs, form, 1e-9, interval, b)
        )
        assert (a[1][0] != 0).all()
        assert (b[1][0] != 0).all()
    assert guards.untouched()
