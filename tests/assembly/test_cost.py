"""The estimate of a run's memory, beside what its parts take."""

import numpy as np
import pytest

from sim.assembly.build import build
from sim.assembly.cost import (
    CONNECTION_BYTES,
    MIRROR_BYTES,
    STAGES_S,
    Budget,
    cost_of,
    no_compiler,
    under_events,
)
from sim.foundations.errors import ScenarioError
from sim.loop.fused import Fused
from sim.scenario.gallery import find
from sim.scenario.model import load_scenario

WIRINGS = (
    "switch.geometry.ports_per_side=96",
    "switch.geometry.columns=12",
    "switch.connections=[[0, 1], [5, 7]]",
)


def scenario(*more):
    return load_scenario(find("harrow_point_reconfigure"), [*WIRINGS, *more])


def moved(*outputs):
    """Return a scenario of two connections that go to other outputs with each move."""
    moves = ",".join(
        f"{{at_ms={20 * (i + 1)}, connections=[[0, {a}], [5, {b}]]}}"
        for i, (a, b) in enumerate(outputs)
    )
    return scenario(f"switch.moves=[{moves}]")


def nbytes(part):
    if isinstance(part, np.ndarray):
        return part.nbytes
    return sum(nbytes(value) for value in part) if isinstance(part, tuple) else 0


@pytest.mark.parametrize("outputs", [[(2, 3)], [(7, 1)], [(2, 3), (4, 8), (9, 10), (1, 7)]])
def test_mirrors_that_moves_bring_in_are_counted(outputs):
    case = moved(*outputs)
    parts = build(case).parts
    samples = 1e-3 * case.duration_ms * case.traces.sample_hz
    height, width = case.camera.window_px
    history = nbytes(Fused(parts)._scratch.history) / len(parts.mirrors)
    of_mirror = samples * MIRROR_BYTES * 3 + 24 * height * width + 17 * (len(outputs) + 1) + history
    fewer = scenario("switch.moves=[]")
    more = len(parts.mirrors) - len(build(fewer).parts.mirrors)
    apart = 1e9 * (cost_of(case).memory_gb - cost_of(fewer).memory_gb)
    assert more == len({o for pair in outputs for o in pair} - {1, 7})
    assert apart == pytest.approx(more * of_mirror, abs=len(outputs) * 2 * 700 + 200)


def test_what_a_move_keeps_is_counted():
    case = moved(*[(2 + 2 * i, 3 + 2 * i) for i in range(8)])
    epochs = build(case).parts.epochs
    held = sum(nbytes(tuple(epoch)) for epoch in epochs[1:]) / 8
    fewer = scenario("switch.moves=[]")
    per_mirror = 1e-3 * case.duration_ms * case.traces.sample_hz * MIRROR_BYTES * 3
    assert CONNECTION_BYTES < 100
    said = 2 * 600 + 17 * len(build(case).parts.mirrors)
    assert 0.5 * said < held < 1.5 * said, (held, said)
    assert cost_of(case).memory_gb > cost_of(fewer).memory_gb + 14 * per_mirror / 1e9


@pytest.mark.parametrize("duration_ms", [100, 1000])
def test_what_is_kept_of_frames_in_one_go_is_counted(duration_ms, monkeypatch):
    case = scenario("switch.moves=[]", "metrics.hold_from_ms=20", f"duration_ms={duration_ms}")
    kept = nbytes(Fused(build(case).parts)._scratch.history)
    said_gb = cost_of(case).memory_gb
    monkeypatch.setattr("sim.assembly.cost.HISTORY_BYTES", 0)
    assert 1e9 * (said_gb - cost_of(case).memory_gb) == pytest.approx(kept)


def test_a_thousand_moves_of_a_large_switch_count():
    moves = ",".join(f"{{at_ms={i + 1}, connections='random'}}" for i in range(1000))
    changes = (
        "switch.geometry.ports_per_side=4096", "switch.geometry.columns=64",
        "switch.connections='identity'", "duration_ms=2000", f"switch.moves=[{moves}]",
    )  # fmt: skip
    large = load_scenario(find("harrow_point_reconfigure"), changes)
    assert cost_of(large).memory_gb > 2.4  # 1000 x 4096 x 600 bytes
    with pytest.raises(ScenarioError, match="GB of memory, more than the limit of 1 GB"):
        build(large, budget=Budget(1.0))


@pytest.mark.parametrize(
    ("events", "share"),
    [
        ("[]", 0.0),
        ('[{kind="light_dimmed",at_ms=100,for_ms=50,light=0.5}]', 0.1),
        ('[{kind="light_dimmed",at_ms=400,light=0.5}]', 0.2),  # to the end
        ('[{kind="frames_dropped",at_ms=0,frames=10}]', 0.02),
        # Two that overlap by 50 ms count once there; the third lies within the second.
        ('[{kind="light_dimmed",at_ms=0,for_ms=100,light=0.5},'
         '{kind="supply_sag",at_ms=50,for_ms=100,sag_pct=1},'
         '{kind="frames_dropped",at_ms=60,frames=5}]', 0.3),
    ],
)  # fmt: skip
def test_frames_under_events_are_counted(events, share):
    plain, case = scenario("duration_ms=500", "events=[]", "switch.moves=[]"), scenario(
        "duration_ms=500", f"events={events}", "switch.moves=[]"
    )
    assert under_events(case) == pytest.approx(share)
    more_s = 3600 * (cost_of(case).hours - cost_of(plain).hours)
    assert more_s == pytest.approx(500 * share * (STAGES_S[0] + 4 * STAGES_S[1]))


def test_a_missing_compiler_is_known_before_a_run(monkeypatch):
    """What `check` says beside the time, which is that of the compiled kernels."""
    assert no_compiler() is None
    monkeypatch.setenv("NUMBA_DISABLE_JIT", "1")
    assert no_compiler() == "NUMBA_DISABLE_JIT is set"
    monkeypatch.setenv("NUMBA_DISABLE_JIT", "0")
    monkeypatch.setattr("sim.assembly.cost.find_spec", lambda name: None)
    assert no_compiler() == "numba is not installed"
