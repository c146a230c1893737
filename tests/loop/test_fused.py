"""The fused path against the loop stage by stage, bit for bit; what keeps a run from it."""

import dataclasses
import threading
import time
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from controllers.pi import Pi
from sim.assembly.build import build
from sim.kernels.compiled import frames
from sim.kernels.compiled.blocks import NONE
from sim.kernels.stretch import Pieces
from sim.kernels.threads import on_each_thread, on_threads
from sim.loop.fused import reasons_not_fused
from sim.loop.parts import Parts
from sim.loop.simulate import simulate
from sim.results.traces import Traces
from sim.scenario.model import load_scenario

SCENARIOS = Path(__file__).parents[2] / "scenarios"
HUT = ("switch.geometry.ports_per_side=20", "switch.geometry.columns=5",
       "metrics.hold_from_ms=20")  # fmt: skip
SECTION = 'controller.sections=[{kind="notch",frequency_hz=[300,240],quality=2}]'
LOSING = "estimator.edge_px=11.2"
SMITH = 'controller={kind="smith",response_ms=5}'
PID = (
    'controller={kind="pid",proportional=0.05,integral_per_frame=0.1,derivative_frames=0.05,'
    "derivative_filter_frames=1}"
)
LQG = (
    'controller={kind="lqg",drift_urad_per_sqrt_s=500,noise_urad=33,control_weight=1,'
    "lines=[{frequency_hz=120,bandwidth_hz=4,rms_urad=5}]}"
)
CASES = {
    "move": ("harrow_point_reconfigure", ("duration_ms=230",)),
    "exact": ("harrow_point_reconfigure", ("duration_ms=130", 'camera.noise="exact"')),
    "quick": ("harrow_point_reconfigure", ("duration_ms=230", "camera.latency_us=200")),
    "slow": ("harrow_point_reconfigure", ("duration_ms=230", "camera.latency_us=2300")),
    "sections": ("harrow_point_reconfigure", ("duration_ms=230", SECTION)),
    "integrator": (
        "harrow_point_reconfigure",
        ("duration_ms=230", 'controller={kind="integrator",integral_per_frame=0.2}'),
    ),
    "open loop": ("harrow_point_reconfigure", ("duration_ms=230", "controller.kind=open_loop")),
    "pid": ("harrow_point_reconfigure", ("duration_ms=230", PID, LOSING)),
    "smith": ("harrow_point_reconfigure", ("duration_ms=230", SMITH)),
    "lqg": ("harrow_point_reconfigure", ("duration_ms=230", LQG)),
    "smith lost": ("harrow_point_reconfigure", ("duration_ms=130", SMITH, LOSING)),
    "lqg lost": ("harrow_point_reconfigure", ("duration_ms=130", LQG, LOSING)),
    "shock": ("harrow_point_half_sine", ("duration_ms=330", "traces.sample_hz=4000")),
    "lost": ("harrow_point_reconfigure", ("duration_ms=230", "estimator.edge_px=11.2")),
    "warm": (
        "harrow_point_cooling_failure",
        ("duration_ms=1300", "traces.sample_hz=200", "camera.defocus_px_per_k=0.1",
         "camera.dark_e_per_s=1e4"),
    ),
    "quake": ("harrow_point_earthquake", ("duration_ms=500", "engine.exposure_samples=4")),
    "equivalent": ("harrow_point_earthquake", ("duration_ms=300", 'camera.noise="equivalent"')),
}  # fmt: skip


def made(name: str, *overrides: str) -> Parts:
    return build(load_scenario(SCENARIOS / f"{name}.toml", [*HUT, *overrides])).parts


def same(one: Traces, other: Traces) -> None:
    for field in dataclasses.fields(Traces):
        a, b = getattr(one, field.name), getattr(other, field.name)
        if isinstance(a, np.ndarray):
            assert np.array_equal(a, b, equal_nan=a.dtype.kind == "f"), field.name


@pytest.mark.parametrize("case", list(CASES))
def test_fused_path_gives_the_bits_of_the_stages(case: str) -> None:
    name, overrides = CASES[case]
    parts = made(name, *overrides)
    fast, plain = simulate(parts), simulate(parts, fused=False)
    assert plain.spent.fused_frames == 0
    assert fast.spent.fused_frames == parts.clock.n_frames
    same(fast.traces, plain.traces)
    assert fast.images.moments == plain.images.moments
    assert np.array_equal(fast.images.frames_dn, plain.images.frames_dn)
    if "lost" in case or case == "pid":
        assert 0 < fast.traces.lost_frames.min() < fast.traces.lost_frames.max()


@pytest.mark.parametrize("ports", [1, 6])
def test_blocks_that_are_not_full_give_the_bits_of_the_stages(ports: int) -> None:
    """Two mirrors, and twelve: less than eight, and a second eight that is not full."""
    parts = made(
        "harrow_point_reconfigure", "duration_ms=230", f"switch.geometry.ports_per_side={ports}",
        "switch.geometry.columns=1",
    )  # fmt: skip
    assert len(parts.mirrors) == 2 * ports
    same(simulate(parts).traces, simulate(parts, fused=False).traces)


def test_a_law_that_does_not_fit_the_mirrors_is_refused() -> None:
    class Otherwise(Pi):
        def linear_law(self):  # type: ignore[no-untyped-def]
            law = super().linear_law()
            return law._replace(seen=law.seen._replace(D=np.zeros((3, 2))))

    parts = made("harrow_point_reconfigure", "duration_ms=130")
    pi = parts.controller
    assert isinstance(pi, Pi)
    with pytest.raises(ValueError, match=r"linear_law: seen.D must be \(1 or 40, 2, \*\(\)\)"):
        simulate(dataclasses.replace(parts, controller=Otherwise(pi.params, pi.plant)))


@pytest.mark.parametrize("lost", [False, True])
def test_gains_may_differ_by_mirror(lost: bool) -> None:
    """The compiled loop gives each mirror its own gains, as the steps in Python do."""
    edge = ("estimator.edge_px=11.2",) if lost else ()
    parts = made("harrow_point_reconfigure", "duration_ms=230", SECTION, *edge)
    pi, m = parts.controller, len(parts.mirrors)
    assert isinstance(pi, Pi)
    own = np.linspace(0.5, 2.0, 2 * m).reshape(m, 2, 1)

    class ByMirror(Pi):
        def __init__(self, *args: Any) -> None:
            super().__init__(*args)
            law = super().linear_law()
            self._law = law._replace(
                seen=law.seen._replace(B=law.seen.B * own), sections=law.sections * own[..., :1]
            )

    varied = dataclasses.replace(parts, controller=ByMirror(pi.params, pi.plant))
    assert reasons_not_fused(varied) == ()
    fast = simulate(varied)
    assert fast.spent.fused_frames > 0
    same(fast.traces, simulate(varied, fused=False).traces)
    assert not np.array_equal(fast.traces.correction_rad, simulate(parts).traces.correction_rad)


@pytest.mark.parametrize("case", ["move", "quake", "warm"])
def test_fused_path_does_not_depend_on_threads(case: str) -> None:
    """With more than one, surroundings are made ahead, over several blocks, and losses beside."""
    name, overrides = CASES[case]
    parts = made(name, *overrides)
    traces = []
    for count in (1, 2, 3):
        with on_threads(count):
            traces.append(simulate(parts).traces)
    same(traces[0], traces[1])
    same(traces[0], traces[2])


def test_a_thread_that_must_wait_for_another_goes_on_later(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The other thread has the first piece of each stretch, and does it when all else waits."""
    parts = made("harrow_point_reconfigure", "duration_ms=230")
    own, pieces_of = threading.get_ident(), frames._pieces
    waited = []

    class Turns:
        def __init__(self) -> None:
            self.taken, self.waits = threading.Event(), threading.Event()

        def __call__(self, left: int, pieces: Pieces, *rest: Any) -> int:
            if threading.get_ident() != own and not self.taken.is_set():
                pieces.taken[0] = 1
                self.taken.set()
                assert self.waits.wait(20)
                return int(pieces_of(0, pieces, *rest))
            assert self.taken.wait(20)
            found = int(pieces_of(left, pieces, *rest))
            if threading.get_ident() == own and not self.waits.is_set():
                waited.append(found)
                self.waits.set()
            return found

    def in_turns(count: int, take_part: Callable[[], None]) -> None:
        if count > 1:
            monkeypatch.setattr(frames, "_pieces", Turns())
        on_each_thread(count, take_part)
        monkeypatch.setattr(frames, "_pieces", pieces_of)

    with on_threads(1):
        alone = simulate(parts).traces
    monkeypatch.setattr(frames, "on_each_thread", in_turns)
    with on_threads(2):
        same(simulate(parts).traces, alone)
    assert waited and NONE not in waited


@pytest.mark.parametrize("main_stops", [True, False])
def test_a_thread_that_stops_is_not_waited_for(
    monkeypatch: pytest.MonkeyPatch, main_stops: bool
) -> None:
    """One thread is stopped, as by Ctrl-C, while the other waits for a piece that it has."""
    own, waits, calls = threading.get_ident(), threading.Event(), []

    class Stopped(BaseException):
        pass

    def stops_or_waits(left: int, *rest: Any) -> int:
        calls.append(left)
        assert len(calls) < 20_000, "it is waited for without end"
        if (threading.get_ident() == own) is main_stops:
            assert waits.wait(20)
            raise Stopped
        if left != NONE:
            waits.set()
        return 7

    monkeypatch.setattr(frames, "_pieces", stops_or_waits)
    setup, inputs, watched = (
        SimpleNamespace(**{name: np.zeros(count)})
        for name, count in (("mirrors", 64), ("rest", 65), ("pairs", 32))
    )
    run: Any = frames.run_frames
    with on_threads(2), pytest.raises(Stopped):
        run(setup, None, inputs, None, None, None, watched, None)
    called = len(calls)
    assert called > 2
    time.sleep(0.02)
    assert len(calls) == called, "the other thread still waits"


@pytest.mark.parametrize(
    ("override", "why"),
    [
        ('estimator={kind="matched_filter",min_flux_dn=1500,edge_px=4.5}', "whole frames"),
        ("camera.prnu_pct=1", "pixels differ"),
        ("camera.spill=true", "stray light"),
        ("camera.search_after_frames=5", "searched for"),
        ("camera.row_us=0.3", "rows start"),
    ],
)  # fmt: skip
def test_what_cannot_be_fused_goes_frame_by_frame_and_says_why(override: str, why: str) -> None:
    parts = made("harrow_point_reconfigure", "duration_ms=130", override)
    (reason,) = reasons_not_fused(parts)
    assert why in reason
    assert simulate(parts).spent.fused_frames == 0


def test_a_controller_that_departs_from_its_base_is_stepped_in_python() -> None:
    class Halved(Pi):
        def step(self, state, reading, setpoint):  # type: ignore[no-untyped-def]
            state, correction = super().step(state, reading, setpoint)
            return state, 0.5 * correction

    parts = made("harrow_point_reconfigure", "duration_ms=130")
    pi = parts.controller
    assert isinstance(pi, Pi)
    halved = dataclasses.replace(parts, controller=Halved(pi.params, pi.plant))
    assert reasons_not_fused(halved) == ("the controller states no linear law of its own",)
    assert not np.array_equal(
        simulate(halved).traces.correction_rad, simulate(parts).traces.correction_rad
    )


def test_time_is_stated_by_stage_as_far_as_it_can_be_measured() -> None:
    parts = made("harrow_point_earthquake", "duration_ms=200")
    began_s = time.perf_counter()
    runs = {True: simulate(parts).spent, False: simulate(parts, fused=False).spent}
    took_s = time.perf_counter() - began_s
    outside = ["surroundings", "path"]
    assert list(runs[True].by_stage_s()) == [*outside, "fused", "recording", "pictures"]
    inside = ["plant", "camera", "control", "recording", "pictures"]
    assert list(runs[False].by_stage_s()) == [*outside, *inside]
    total_s = sum(spent.start_s + sum(spent.stages_s) for spent in runs.values())
    assert 0.8 * took_s < total_s < took_s
