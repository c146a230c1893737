"""Pixels that differ, ghosts, spill, dark signal and defocus: recovered from frames."""

import logging
from types import ModuleType
from typing import Any

import numpy as np
import pytest
from scipy import stats

from sim.camera.exposure import Images, PixelNoise
from sim.camera.mosaic import flat_field
from sim.camera.sensor import FixedPattern, Layout, make_layout, make_pattern, make_scene
from sim.camera.settings import CameraParams, make_camera, window_origin
from sim.estimators.spot_model import pixel_integrated
from sim.foundations.errors import ScenarioError
from sim.kernels import compiled, plain
from sim.kernels.threads import on_threads
from sim.scenario.check import check_block
from tests.kernels.test_kernels import within_one_dn

BASE: dict[str, Any] = {
    "frame_hz": 1000.0, "exposure_us": 300.0, "latency_us": 700.0, "window_px": (24, 24),
    "scale_px_per_mrad": 0.5, "spot_sigma_px": 1.8, "signal_e": 20000.0, "background_e": 20.0,
    "read_noise_e": 6.0, "full_well_e": 1900.0, "gain_dn_per_e": 0.5, "black_dn": 32.0, "bits": 10,
    "pitch_px": 64,
}  # fmt: skip
EVERYTHING = {
    "prnu_pct": 3.0, "dsnu_e": 4.0, "hot_pixels_pct": 0.5, "hot_e": 400.0, "dead_pixels_pct": 0.5,
    "dark_e_per_s": 5e4, "ghost_pct": 7.0, "ghost_offset_px": (5.5, -3.25), "spill": True,
}  # fmt: skip
FINE = {"signal_e": 1.0, "background_e": 0.0, "gain_dn_per_e": 2.0**22, "black_dn": 0.0,
        "noise": "none"}  # fmt: skip
PORTS, COLUMNS = 24, 6


def expose(
    params: CameraParams, spots: np.ndarray, mirrors: np.ndarray, noise: int = 0,
    kernels: ModuleType = compiled, origin: np.ndarray | None = None, warmth: float = 1.0,
    full_scale_dn: float | None = None, samples: int = 1, ports: int = PORTS,
) -> tuple[np.ndarray, np.ndarray]:  # fmt: skip
    """Windows around spots (M, 2), given against the untilted mirror's spot."""
    layout = make_layout(params, ports, COLUMNS)
    pattern = make_pattern(params, layout, 7)
    scene = make_scene(params, layout, mirrors, pattern, spill=params.spill)
    camera = make_camera(params)
    if full_scale_dn is not None:
        camera = camera._replace(full_scale_dn=full_scale_dn)
    centre = layout.centre(mirrors)
    drift = np.linspace(-1.5, 1.5, samples)[:, None, None] if samples > 1 else 0.0
    position = np.ascontiguousarray((spots + centre).T[None] + drift + np.zeros((samples, 1, 1)))
    origin = (window_origin(spots, params.window_px) if origin is None else origin) + centre
    frames = np.zeros((len(mirrors), *params.window_px), np.int32)
    sums = np.zeros((3, len(mirrors)), np.int64)
    kernels.expose_scene(
        Images(frames, sums, 60, True), position, mirrors, camera, PixelNoise(noise, 4, 7, 1),
        origin, scene, warmth,
    )  # fmt: skip
    return frames, sums


def fine(spots: np.ndarray, mirrors: np.ndarray, **changes: Any) -> np.ndarray:
    """Shares of one electron of light, read without noise by a converter of 2^23 levels."""
    params = CameraParams(**(BASE | FINE | changes))
    origin = np.full((len(mirrors), 2), -12.0)
    return expose(params, spots, mirrors, origin=origin, full_scale_dn=2.0**23)[0] / 2.0**22


def scattered(n: int, reach: float = 25.0) -> np.ndarray:
    return np.random.default_rng(3).uniform(-reach, reach, (n, 2))


# The reference implementation


@pytest.fixture
def reference(monkeypatch: pytest.MonkeyPatch) -> Any:
    """The standard's reference implementation; it was written for numpy 1."""
    pytest.importorskip("emva1288")
    monkeypatch.setattr(np, "asfarray", lambda a: np.asarray(a, np.float64), raising=False)
    monkeypatch.setattr(np, "int", int, raising=False)
    from emva1288.process.data import Data1288
    from emva1288.process.results import Results1288
    from emva1288.process.routines import get_int_imgs

    def results(frames_at: Any, photons: np.ndarray, n_stack: int) -> Any:
        def spatial(level: float) -> Any:
            return get_int_imgs([frames_at(level, 1000 + k) for k in range(n_stack)])

        def temporal(number: int, level: float) -> dict[str, float]:
            pair = get_int_imgs([frames_at(level, 2 * number + k) for k in (0, 1)])
            return {"sum": pair["sum"].sum(), "pvar": pair["pvar"].sum(), "dmean": pair["dmean"]}

        height, width = frames_at(0.0, 0).shape
        half = photons[np.searchsorted(photons, 0.4 * photons[-1])]
        data = {
            "height": height, "width": width,
            "temporal": {1.0: {p: temporal(i, p) for i, p in enumerate(photons)}},
            "spatial": {1.0: {0.0: spatial(0.0), half: spatial(half)}},
        }  # fmt: skip
        quiet = {"loglevel": logging.ERROR}
        return Results1288(Data1288(data, **quiet).data, **quiet)

    return results


def test_standards_own_software_recovers_the_camera(reference: Any) -> None:
    """EMVA Standard 1288, Release 4.0 Linear, by its reference implementation (emva1288 1.0.2).

    131328 pixels, 30 levels up to saturation, 50 frames a stack. Slopes are good to 0.5 %, dark
    noise to 0.4 % (pairs), DSNU and PRNU to 0.5 % (pixels) and what temporal noise leaves in the
    mean of 50 frames; the standard's dark noise has the dark signal in it.
    """
    changes = {
        "gain_dn_per_e": 0.5, "bits": 12, "read_noise_e": 5.0, "full_well_e": 1e5,
        "quantum_efficiency": 0.5, "prnu_pct": 1.0, "dsnu_e": 3.0, "dark_e_per_s": 1e4,
    }  # fmt: skip
    params = CameraParams(**(BASE | changes))
    layout = make_layout(params, PORTS, COLUMNS)

    def frames_at(photons: float, number: int) -> np.ndarray:
        return flat_field(params, layout, photons, seed=11, kernels=compiled, frame=number,
                          pattern=pattern)  # fmt: skip

    pattern = make_pattern(params, layout, 11, 1)
    found = reference(frames_at, np.linspace(0.0, 17500.0, 30), 50)
    assert found.K == pytest.approx(0.5, rel=0.01)
    assert found.QE == pytest.approx(50.0, rel=0.01)
    assert found.sigma_d == pytest.approx(np.sqrt(5.0**2 + params.dark_e), rel=0.02)
    assert found.DSNU1288 == pytest.approx(3.0, rel=0.02)
    assert found.PRNU1288 == pytest.approx(1.0, rel=0.03)


# Twins, threads, and the plain camera


@pytest.mark.parametrize("noise", [0, 1])
@pytest.mark.parametrize("samples", [1, 4])
def test_all_defects_at_once_agree_with_the_plain_twin(
    noise: int, samples: int
) -> None:
    params = CameraParams(**(BASE | EVERYTHING))
    mirrors = np.r_[0:11, 13:40]
    both = [
        expose(params, scattered(len(mirrors)), mirrors, noise, kernels, warmth=1.7,
               samples=samples)
        for kernels in (compiled, plain)
    ]  # fmt: skip
    within_one_dn(both[0][0], both[1][0])


@pytest.mark.parametrize("samples", [1, 4])
@pytest.mark.parametrize("noise", [0, 1, 2])
def test_a_scene_with_nothing_in_it_is_the_plain_camera(noise: int, samples: int) -> None:
    """Bit for bit; spots on 64ths of a pixel, which both coordinate systems hold exactly."""
    params = CameraParams(**BASE)
    mirrors = np.arange(20)
    spots = np.round(scattered(20) * 64) / 64
    frames, sums = expose(params, spots, mirrors, noise, samples=samples)
    plain = np.zeros_like(frames), np.zeros_like(sums)
    position = np.stack([(spots - window_origin(spots, params.window_px)).T] * samples)
    if samples > 1:
        position += np.linspace(-1.5, 1.5, samples)[:, None, None]
    position = np.ascontiguousarray(position)
    compiled.expose(
        Images(*plain, 60, True), position, mirrors, make_camera(params),
        PixelNoise(noise, 4, 7, 1),
    )  # fmt: skip
    assert np.array_equal(frames, plain[0])
    assert np.array_equal(sums, plain[1])


def test_frames_do_not_depend_on_threads() -> None:
    params = CameraParams(**(BASE | EVERYTHING))
    results = []
    for count in (1, 2):
        with on_threads(count):
            results.append(expose(params, scattered(48), np.arange(48), 1)[0])
    assert np.array_equal(*results)


def test_frames_do_not_depend_on_which_other_mirrors_carry_light() -> None:
    """But for the light of neighbours: without spill all, with spill those that stay alone."""
    spots = scattered(48, 15.0)
    some = np.array([1, 2, 9, 23, 30])
    for spill in (False, True):
        params = CameraParams(**(BASE | EVERYTHING | {"spill": spill}))
        all_lit = expose(params, spots, np.arange(48), 1)[0]
        few_lit = expose(params, spots[some], some, 1)[0]
        assert np.array_equal(all_lit[some], few_lit)


# Pixels


def test_windows_that_move_see_the_pattern_move() -> None:
    params = CameraParams(**(BASE | EVERYTHING | {"noise": "none", "spill": False}))
    spot, mirror = np.array([[1.0, -2.0]]), np.array([8])
    at = np.array([[-12.0, -11.0]])
    first = expose(params, spot, mirror, origin=at)[0][0]
    second = expose(params, spot, mirror, origin=at + [3.0, 5.0])[0][0]
    assert np.array_equal(first[5:, 3:], second[:-5, :-3])
    other = expose(params, spot, mirror + 1, origin=at)[0][0]
    assert not np.array_equal(first, other)


def test_pattern_has_the_strength_asked_for_and_no_order() -> None:
    """Within 4.5 standard errors of 2 x 131328 pixels; neighbours are not correlated."""
    params = CameraParams(**(BASE | EVERYTHING | {"dead_pixels_pct": 0.0}))
    layout = make_layout(params, PORTS, COLUMNS)
    pattern = make_pattern(params, layout, 7)
    n = pattern.response.size
    assert pattern.response.shape == (2, 304, 432)
    error = 4.5 / np.sqrt(2 * n)
    assert (pattern.response - 1).std() == pytest.approx(0.03, rel=error)
    assert pattern.offset.std() == pytest.approx(4.0, rel=error)
    assert abs(pattern.offset.mean()) < 4.5 * 4.0 / np.sqrt(n)
    for a, b in ((pattern.response, pattern.offset), (pattern.offset[0], pattern.offset[1]),
                 (pattern.offset[:, 1:], pattern.offset[:, :-1]),
                 (pattern.response[:, :, 1:], pattern.response[:, :, :-1])):  # fmt: skip
        assert abs(np.corrcoef(a.ravel(), b.ravel())[0, 1]) < 4.5 / np.sqrt(a.size)
    assert set(np.unique(pattern.dark)) == {np.float32(15.0), np.float32(415.0)}
    hot = int((pattern.dark > 100).sum())
    assert stats.binomtest(hot, n, 0.005).pvalue > 1e-3


def test_pixels_keep_their_values_when_the_window_changes() -> None:
    small, large = (
        make_pattern(p, make_layout(p, PORTS, COLUMNS), 7)
        for p in (CameraParams(**(BASE | EVERYTHING | {"window_px": w})) for w in ((8, 8), (16, 8)))
    )
    assert np.array_equal(small.response, large.response[:, 8:-8, 8:-8])
    assert np.array_equal(small.dark, large.dark[:, 8:-8, 8:-8])


def test_dead_pixels_see_nothing_and_hot_ones_fill() -> None:
    params = CameraParams(**(BASE | {"noise": "none", "dead_pixels_pct": 2.0,
                                     "hot_pixels_pct": 1.0, "hot_e": 1e5}))  # fmt: skip
    layout = make_layout(params, PORTS, COLUMNS)
    flat = flat_field(params, layout, 500.0, seed=7, kernels=compiled)
    values, counts = np.unique(flat, return_counts=True)
    assert values.tolist() == [32, 282, 982]  # black, 500 e- at 0.5 DN/e-, full well
    assert stats.binomtest(int(counts[0]), flat.size, 0.02 * 0.99).pvalue > 1e-3
    assert stats.binomtest(int(counts[2]), flat.size, 0.01).pvalue > 1e-3


def test_dark_signal_doubles_with_the_stated_rise() -> None:
    """300 us of 2e5 e-/s are 60 e-, 30 DN; 7 K more, 60 DN; 14 K less, 7.5 DN, rounded up."""
    params = CameraParams(**(BASE | {"noise": "none", "dark_e_per_s": 2e5}))
    layout = make_layout(params, PORTS, COLUMNS)
    for temperature_k, dn in ((0.0, 62), (7.0, 92), (-14.0, 40)):
        image = flat_field(params, layout, 0.0, seed=7, kernels=compiled,
                           temperature_k=temperature_k)  # fmt: skip
        assert (image == dn).all()


def test_defocus_widens_the_spot_in_quadrature() -> None:
    params = CameraParams(**(BASE | {"defocus_px_per_k": 0.2, "spot_sigma_px": 1.5}))
    assert params.blurred_px(0.0) == 1.5
    assert params.blurred_px(-10.0) == pytest.approx(2.5)


# Light from elsewhere


def test_ghost_is_a_weak_copy_at_its_offset() -> None:
    """Against `pixel_integrated`, in double precision; single precision leaves 3e-6."""
    spot = np.array([[1.25, -2.5]])
    got = fine(spot, np.array([3]), ghost_pct=20.0, ghost_offset_px=(-4.5, 3.0))[0]
    own = pixel_integrated(spot + 12, 1.8, (24, 24))[0]
    ghost = pixel_integrated(spot + 12 + [-4.5, 3.0], 1.8, (24, 24))[0]
    assert got == pytest.approx(own + 0.2 * ghost, abs=3e-6)


def test_neighbours_spill_from_a_pitch_away() -> None:
    """Mirror 7 of rows of six has 6 to its left, 8 to its right, 1 above and 13 below."""
    mirrors = np.array([7, 6, 8, 1, 13, 20])
    spots = np.array([[0, 0], [48.0, 3], [-55.0, 4.0], [5.0, 57.0], [-4.0, -52.5], [0, 0]])
    got = fine(spots, mirrors, spill=True)[0]
    away = np.array([[0, 0], [-64, 0], [64, 0], [0, -64], [0, 64]])
    expected = pixel_integrated(spots[:5] + away + 12, 1.8, (24, 24)).sum(axis=0)
    assert expected.sum() > 2.5
    assert got == pytest.approx(expected, abs=6e-6)
    alone = fine(spots, mirrors)[0]
    assert alone == pytest.approx(pixel_integrated(spots[:1] + 12, 1.8, (24, 24))[0], abs=3e-6)


def test_neighbours_end_at_the_edge_of_the_array() -> None:
    layout = Layout(ports=22, columns=6, pitch_px=64, rim_px=0)
    everyone = np.arange(44)
    around = layout.neighbours(everyone)
    counts = (around >= 0).sum(axis=1)
    assert counts[[0, 5, 7, 15, 16, 17, 21]].tolist() == [3, 3, 8, 7, 6, 3, 4]
    assert np.array_equal(counts[:22], counts[22:])
    assert (around[:22] < 22).all() and (around[22:][around[22:] >= 0] >= 22).all()
    assert sorted(around[29][around[29] >= 0]) == [22, 23, 24, 28, 30, 34, 35, 36]


# Settings


@pytest.mark.parametrize(("bad", "says"), [
    ({"ghost_pct": 5.0}, r"ghost_offset_px must not be \(0, 0\) with a ghost"),
    ({"hot_pixels_pct": 0.1}, "hot_e must be above 0 with hot pixels"),
])  # fmt: skip
def test_half_described_defects_are_refused(bad: dict[str, Any], says: str) -> None:
    with pytest.raises(ScenarioError, match=says):
        check_block(CameraParams, BASE | bad, "camera")


def test_a_camera_without_defects_needs_no_map() -> None:
    params = CameraParams(**BASE)
    pattern = make_pattern(params, make_layout(params, PORTS, COLUMNS), 1)
    assert not params.patterned and not params.stray
    assert pattern == FixedPattern(np.ones((1, 1, 1), np.float32), 0.0, 0.0)
