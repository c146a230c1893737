"""The camera inside the loop: rolling shutter, search, and defects that both kernels see alike."""

import dataclasses
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest

from sim.assembly.build import build
from sim.foundations.errors import ScenarioError
from sim.foundations.ports import Array, Setpoint, SpotStatus, TiltReading
from sim.kernels import compiled, plain
from sim.loop.parts import Parts
from sim.loop.simulate import simulate
from sim.results.traces import Traces
from sim.scenario.model import load_scenario

ONE_MIRROR = Path(__file__).parents[1] / "one_mirror.toml"
HUT = Path(__file__).parents[2] / "scenarios" / "harrow_point_reconfigure.toml"
SHORT = ("switch.moves.0.at_ms=8", "metrics.hold_from_ms=10")
DEFECTS = (
    "camera.prnu_pct=2", "camera.dsnu_e=4", "camera.hot_pixels_pct=0.1", "camera.hot_e=300",
    "camera.dead_pixels_pct=0.1", "camera.dark_e_per_s=20000", "camera.ghost_pct=5",
    "camera.ghost_offset_px=[6.0, 4.0]", "camera.spill=true", "camera.row_us=0.5",
    "camera.defocus_px_per_k=0.05", "camera.search_after_frames=3",
)  # fmt: skip


def made(*overrides: str, path: Path = HUT, kernels: ModuleType = compiled) -> Parts:
    return build(load_scenario(path, list(overrides)), kernels).parts



def test_each_mirror_is_seen_when_its_row_is_exposed() -> None:
    """Readings of a fleet on the move against the true tilt at every row's own time.

    Expected spots pass at up to some px a ms. The centroid is good to 0.1 px in a moving,
    quantised spot without noise; a global shutter would be off by 5 times that and more.
    """
    parts = made("camera.row_us=0.8", 'camera.noise="none"', "traces.sample_hz=20000",
                 "controller.kind=open_loop", "duration_ms=60",
                 "metrics.hold_from_ms=50", "switch.moves.0.at_ms=10")
    assert len(parts.epochs) == 2  # fmt: skip
    traces = simulate(parts).traces
    tick_s, n = parts.clock.tick_s, parts.clock.ticks_per_frame
    first = parts.epoch_frames[1]
    aim = np.where(
        (np.arange(len(traces.time_s)) < first * n)[:, None, None],
        parts.epochs[0].aim_rad, parts.epochs[1].aim_rad,
    )  # fmt: skip
    tilt = traces.error_rad + aim  # at the end of each tick
    scale = parts.scale_px_per_rad
    layout = parts.measurement.layout
    worst = unrolled = 0.0
    for frame in range(first, first + 12):
        measured = traces.measured_rad[frame * n]
        seen = traces.status[frame * n] == SpotStatus.OK
        row = layout.centre(parts.mirrors)[:, 1] + scale * measured[:, 1]
        at_s = (np.arange(64) + 0.5) / 64 * 300e-6
        for m in np.flatnonzero(seen):
            means = [
                np.array([np.interp(frame * n * tick_s + at_s + delay_s, traces.time_s,
                                    tilt[:, m, a]).mean() for a in range(2)])
                for delay_s in (0.8e-6 * row[m], 0.0)
            ]  # fmt: skip
            gaps = [scale * np.abs(measured[m] - mean).max() for mean in means]
            worst, unrolled = max(worst, gaps[0]), max(unrolled, gaps[1])
    assert worst < 0.1
    assert unrolled > 0.5


def test_shutter_must_be_through_in_time() -> None:
    made("camera.row_us=0.85")
    with pytest.raises(ScenarioError, match="camera.row_us: 816 rows must start within"):
        made("camera.row_us=0.9")


class Kicked:
    """Starts with a correction already in it, then leaves the rest to another controller."""

    def __init__(self, controller: Any, kick_rad: float) -> None:
        self._controller = controller
        self._kick_rad = kick_rad

    def initial_state(self, n_mirrors: int) -> Any:
        return self._controller.hand_over(np.full((n_mirrors, 2), self._kick_rad))

    def step(self, state: Any, reading: TiltReading, setpoint: Setpoint) -> tuple[Any, Array]:
        return self._controller.step(state, reading, setpoint)


def kicked(*overrides: str) -> Traces:
    parts = made("duration_ms=60", *overrides, path=ONE_MIRROR)
    parts = dataclasses.replace(parts, controller=Kicked(parts.controller, 8e-3))
    return simulate(parts).traces


def test_lost_spot_is_found_and_brought_home() -> None:
    """8 mrad are 16 px at 2 px/mrad: outside the window, inside the field of 96 px.

    Frame 0 sees the spot before the kick arrives; the search begins after 3 lost frames and takes
    5. One sampling interval is one frame here, so status and frames can be counted.
    """
    without = kicked()
    assert (without.status[1:] != SpotStatus.OK).all()
    assert without.lost_frames.tolist() == [59, 59]
    assert without.search_frames.tolist() == [0, 0]
    found = kicked("camera.search_after_frames=3", "camera.search_frames=5")
    for mirror in range(2):
        status = found.status[:, mirror]
        assert status[0] == SpotStatus.OK
        assert (status[1:4] != SpotStatus.OK).all() and (status[1:4] != SpotStatus.SEARCH).all()
        assert (status[4:9] == SpotStatus.SEARCH).all()
        assert (status[9:] == SpotStatus.OK).all()
    assert found.search_frames.tolist() == [5, 5]
    assert found.lost_frames.tolist() == [8, 8]
    assert np.isnan(found.measured_rad[1:9]).all()
    assert found.measured_rad[9] == pytest.approx(8e-3, rel=0.01)
    assert np.abs(found.error_rad[-1]).max() < 2e-5


def test_a_search_that_is_never_needed_changes_nothing() -> None:
    plain = made("duration_ms=60", path=ONE_MIRROR)
    ready = made("duration_ms=60", "camera.search_after_frames=3", path=ONE_MIRROR)
    a, b = (simulate(parts).traces.arrays() for parts in (plain, ready))
    for name, value in a.items():
        assert np.array_equal(value, b[name], equal_nan=True), name


def test_defective_camera_gives_both_kernels_the_same_readings() -> None:
    """Statuses alike; most readings within a flipped DN, 12 px away, of some 1e4: 1e-3 px, 4 urad.

    Where the drive's code has followed, 5 urad each time, a mirror goes its own way for a while.
    """
    both = [
        simulate(made(*SHORT, "duration_ms=40", *DEFECTS, kernels=k)).traces
        for k in (compiled, plain)
    ]
    assert np.array_equal(both[0].status, both[1].status)
    assert np.array_equal(both[0].search_frames, both[1].search_frames)
    apart = np.abs(both[0].measured_rad - both[1].measured_rad)
    assert (apart > 4e-6).mean() < 0.03
    assert apart.max() < 6e-5


def test_defects_bias_the_readings_and_are_fixed_by_the_seed() -> None:
    def readings(*overrides: str) -> np.ndarray:
        traces = simulate(made(*SHORT, "duration_ms=20", *overrides)).traces
        return traces.measured_rad

    plain, once, again = readings(), readings(*DEFECTS), readings(*DEFECTS)
    assert np.array_equal(once, again, equal_nan=True)
    assert np.nanmax(np.abs(once - plain)) > 2e-5
    other = readings(*DEFECTS, "seed=4711")
    assert not np.array_equal(once, other, equal_nan=True)
