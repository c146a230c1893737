"""Equivalent noise: what the table holds, what it does to the loop, and where it is refused."""

from pathlib import Path

import numpy as np
import pytest

from sim.assembly.build import build
from sim.camera.equivalent_noise import NODES, NoiseTable
from sim.camera.exposure import empty_readings
from sim.errors import ScenarioError
from sim.kernels import compiled, plain
from sim.loop.parts import Parts
from sim.loop.simulate import simulate
from sim.results.traces import Traces
from sim.scenario.model import load_scenario

SCENARIOS = Path(__file__).parents[2] / "scenarios"
READERS = {
    "components": {"threshold_dn": 60, "peak_fraction": 0.2, "hot_step_dn": 200, "min_area_px": 4},
    "gaussian_fit": {},
    "matched_filter": {},
    "poisson_fit": {},
    "weighted_centroid": {"weight_sigma_px": 1.8},
}


def made(name: str, *overrides: str) -> Parts:
    return build(load_scenario(SCENARIOS / f"{name}.toml", list(overrides))).parts


def reader(kind: str, **own: object) -> str:
    settings = {"kind": f'"{kind}"', "min_flux_dn": 1500, "edge_px": 4.5, **own}
    return "estimator={" + ",".join(f"{k}={v}" for k, v in settings.items()) + "}"


def table_of(*overrides: str) -> NoiseTable:
    table = made("harrow_point", 'camera.noise="equivalent"', *overrides).measurement.table
    assert table is not None
    return table


def test_table_holds_what_frames_give() -> None:
    """Against other frames of the same camera, at places between those of the table.

    24 places, 4096 frames each: 4.5 standard errors of each place, and 5 % of what the table's own
    512 frames leave, smoothed over 25 of 256 harmonics.
    """
    parts = made("harrow_point", 'camera.noise="equivalent"')
    measurement, table = parts.measurement, parts.measurement.table
    assert table is not None
    n, sigma = 4096, float(table.root_px[..., (0, 2)].mean())
    places = 12.0 + np.random.default_rng(1).uniform(-0.5, 0.5, (24, 2))
    other = made("harrow_point", "seed=77").measurement
    m = len(parts.mirrors)
    for place in places:
        position = np.ascontiguousarray(np.broadcast_to(place[None, :, None], (1, 2, m)))
        read = np.concatenate([other.read(position, k).spot_px for k in range(-(-n // m))])[:n]
        drawn = [measurement.read(position, k).spot_px for k in range(-(-n // m))]
        drawn = np.concatenate(drawn)[:n]
        apart = read.mean(axis=0) - drawn.mean(axis=0)
        assert np.abs(apart).max() < sigma * (4.5 * np.sqrt(2 / n) + 0.02)
        ratio = read.std(axis=0) / drawn.std(axis=0)
        assert ratio == pytest.approx(1.0, abs=4.5 * np.sqrt(1 / n) + 0.02)


def test_readings_are_drawn_as_the_plain_form_says() -> None:
    rng = np.random.default_rng(3)
    m = 41
    table = NoiseTable(
        rng.normal(0, 0.01, (NODES, NODES, 2)), rng.normal(0, 0.02, (NODES, NODES, 3)), 9000.0, 5.0
    )
    position = rng.uniform(4.0, 19.0, (4, 2, m))
    position[:, :, 0] = np.nan
    z = rng.normal(size=(1, 2, m)).astype(np.float32)
    found = []
    for kernels in (compiled, plain):
        readings = empty_readings(m)
        kernels.draw_readings(readings, position, z, table, (24, 24))
        found.append(readings)
    assert found[0][0] == pytest.approx(found[1][0], abs=1e-13, nan_ok=True)
    assert np.array_equal(found[0][2], found[1][2])
    assert set(found[0][2].tolist()) == {0, 255}


def rms_urad(traces: Traces) -> float:
    return 1e6 * float(np.sqrt(traces.error_square_rad2[100:].mean()))


def test_closed_loop_residual_of_every_fidelity_is_that_of_exact() -> None:
    """192 mirrors, 400 ms: each frame's noise is new, the loop's memory is about ten frames.

    So about 192 x 300 / 10 independent squares per axis: the standard error of an rms is
    1 / sqrt(4 x 5760 x 2) = 0.5 %, of a ratio 0.7 %; 4.5 of them are allowed.
    """
    run = {
        noise: rms_urad(simulate(made("harrow_point", "duration_ms=400", f'camera.noise="{noise}"'))
                        .traces)
        for noise in ("exact", "fast", "equivalent")
    }  # fmt: skip
    assert run["fast"] == pytest.approx(run["exact"], rel=0.03)
    assert run["equivalent"] == pytest.approx(run["exact"], rel=0.03)


@pytest.mark.parametrize("kind", list(READERS))
def test_equivalent_stands_in_for_every_estimator_that_sees_the_whole_spot(kind: str) -> None:
    """The spread of readings of a loop that is open, against that with images, within 3 %."""
    short = ("duration_ms=150", 'controller={kind="open_loop"}', reader(kind, **READERS[kind]))
    spread = {}
    for noise in ("fast", "equivalent"):
        traces = simulate(made("harrow_point", *short, f'camera.noise="{noise}"')).traces
        read = traces.measured_rad[50:]
        spread[noise] = float(np.sqrt(((read - read.mean(axis=0)) ** 2).mean()))
    assert spread["equivalent"] == pytest.approx(spread["fast"], rel=0.03)


@pytest.mark.parametrize(
    ("override", "why"),
    [
        ("camera.full_well_e=1000", "saturates at 1000 e-"),
        ("camera.bits=8", "saturates at 446 e-"),
        ("camera.prnu_pct=1", "pixels differ"),
        ("camera.spill=true", "stray light"),
        ("camera.defocus_px_per_k=0.1", "warmth"),
        ("camera.search_after_frames=3", "a search needs images"),
        ("camera.window_px=[10,10]", "are not read"),
        ("estimator.min_flux_dn=9000", "are not read"),
        (reader("quad_cell"), "with the place in the window"),
    ],
)
def test_equivalent_is_refused_where_it_has_no_meaning(override: str, why: str) -> None:
    with pytest.raises(ScenarioError, match=f'noise: "equivalent" has no meaning here: .*{why}'):
        made("harrow_point", 'camera.noise="equivalent"', override)


@pytest.mark.parametrize("fused", [True, False])
def test_a_spot_that_leaves_its_window_stops_the_run(fused: bool) -> None:
    """A jump without shaping: within a frame the spot is far from where it is expected."""
    parts = made(
        "harrow_point_reconfigure", 'camera.noise="equivalent"', 'shaping={kind="none"}',
        "mirror.resonance_hz=[300,300]", "drive.calibration_error_pct=3",
    )  # fmt: skip
    with pytest.raises(ScenarioError, match=r"at 1\d\d ms the spot of mirror \d+ is nearer than"):
        simulate(parts, fused=fused)
