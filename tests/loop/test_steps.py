"""A run that stops and goes on: from memory, from a file, in another process, in two directions.

The bits of a run that never stopped are the reference throughout; nothing is compared within a
tolerance.
"""

import dataclasses
import json
import pickle
import random
import subprocess
import sys
import zlib
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from controllers import CONTROLLERS
from sim.assembly.build import build
from sim.foundations.errors import OutputError
from sim.loop.fused import reasons_not_fused
from sim.loop.parts import Parts
from sim.loop.saved import StateError, load_state, save_state
from sim.loop.simulate import LoopResult, finished, simulate, steps
from sim.loop.state import LoopState, copy_state, initial_state
from sim.loop.tree import leaves
from sim.scenario.model import load_scenario
from tests.controllers.test_controller_contract import CASES as SETTINGS

ROOT = Path(__file__).parents[2]
HUT = ("switch.geometry.ports_per_side=20", "switch.geometry.columns=5",
       "metrics.hold_from_ms=20")  # fmt: skip
MOVE = ("duration_ms=200", "switch.moves.0.at_ms=60", "traces.sample_hz=250")
"""A sampling interval of four frames, so that most cuts are within one."""
MOUNTS = "isolator={resonance_hz=[8,8,6],quality=[4,4,5],clearance_mm=[6,6,8]}"
ESTIMATOR = 'estimator={kind="matched_filter",min_flux_dn=1500,edge_px=4.5}'
EVENTS = (
    'events=[{kind="frames_dropped",at_ms=40,share_pct=20,burst_frames=3},'
    '{kind="latency_jitter",at_ms=60,jitter_us=1700},'
    '{kind="frames_late",at_ms=80,for_ms=50,late_frames=2,share_pct=50,camera="A"},'
    '{kind="windows_late",at_ms=55,frames=9,late_frames=2},'
    '{kind="rows_corrupted",at_ms=150,count=40}]'
)
CASES: dict[str, tuple[str, tuple[str, ...]]] = {
    "quake": ("harrow_point_earthquake", (*HUT, "duration_ms=400")),
    "quake on mounts": ("harrow_point_earthquake",
                        (*HUT, "duration_ms=400", "disturbances.0.start_at_ms=0", MOUNTS)),
    "shock": ("harrow_point_half_sine", (*HUT, "duration_ms=330", "traces.sample_hz=4000")),
    "move": ("harrow_point_reconfigure", (*HUT, *MOVE)),
    "slow": ("harrow_point_reconfigure", (*HUT, *MOVE, "camera.latency_us=2300")),
    "quick": ("harrow_point_reconfigure", (*HUT, *MOVE, "camera.latency_us=200")),
    "heat": ("harrow_point_cooling_failure",
             (*HUT, "duration_ms=300", "traces.sample_hz=200", "camera.defocus_px_per_k=0.1",
              "disturbances.0.bench_tau_s=1", "disturbances.0.resonance_ppm_per_k=-3000")),
    "one mirror": ("single_mirror_step", ("duration_ms=120", "metrics.hold_from_ms=100")),
    "equivalent": ("harrow_point_earthquake",
                   (*HUT, "duration_ms=300", 'camera.noise="equivalent"')),
    "search": ("harrow_point_reconfigure",
               (*HUT, *MOVE, "camera.search_after_frames=3", "estimator.edge_px=11.2")),
    "rolling shutter": ("harrow_point_reconfigure", (*HUT, *MOVE, "camera.row_us=0.3")),
    "events": ("harrow_point_reconfigure",
               (*HUT, *MOVE, "camera.search_after_frames=3", EVENTS)),
    "another estimator": ("harrow_point_reconfigure",
                          (*HUT, *MOVE, ESTIMATOR)),
}  # fmt: skip
STAGES = ("move", "quake on mounts")
"""Cases that go stage by stage as well."""


for _kind in CONTROLLERS:
    _settings = json.dumps({"kind": _kind} | SETTINGS[_kind][-1], separators=(",", "="))
    CASES[_kind] = ("harrow_point_reconfigure", (*HUT, *MOVE, f"controller={_settings}"))
RUNS = [(name, True) for name in CASES] + [(name, False) for name in (*STAGES, *CONTROLLERS)]
IDS = [f"{name}{'' if fused else ', stage by stage'}" for name, fused in RUNS]
GO_ON = """
import json, sys
import numpy as np
from sim.loop.saved import load_state
from sim.loop.simulate import finished, steps
from tests.loop.test_steps import made, parts_of_result
for name, fused, again, path in json.loads(sys.argv[1]):
    parts = made(name)
    state = load_state(parts, path)
    for state in steps(parts, state, until=again, fused=fused): pass
    for state in steps(parts, state, fused=fused): pass
    np.savez(path + ".done", **parts_of_result(finished(parts, state)))
"""


def made(name: str, *overrides: str) -> Parts:
    scenario, own = CASES[name]
    return build(load_scenario(ROOT / "scenarios" / f"{scenario}.toml", [*own, *overrides])).parts


def run_to(parts: Parts, state: LoopState, until: int | None = None, **how: Any) -> LoopState:
    """The state before frame `until`, or at the end."""
    for later in steps(parts, state, until=until, **how):
        state = later
    return state


def parts_of_result(result: LoopResult) -> dict[str, np.ndarray]:
    """Everything that a run leaves behind but for the time that it took."""
    sway = np.zeros(0) if result.sway_m is None else result.sway_m
    images = {"image_frames": result.images.frames_dn, "image_time_s": result.images.time_s}
    return {**result.traces.arrays(), **images, "moments": np.array(result.images.moments),
            "sway_m": sway}  # fmt: skip


def same(one: dict[str, np.ndarray], other: dict[str, np.ndarray]) -> None:
    assert set(one) == set(other)
    for name, value in one.items():
        assert value.dtype == other[name].dtype, name
        assert np.array_equal(value, other[name], equal_nan=value.dtype.kind == "f"), name


def frozen(state: LoopState) -> list[tuple[str, bytes]]:
    """Every leaf as bytes."""
    return [(name, pickle.dumps(leaf)) for name, leaf in leaves(state)]


def cuts(name: str, n_frames: int) -> list[int]:
    """Two frames to stop before, drawn by the name of the case."""
    return sorted(random.Random(zlib.crc32(name.encode())).sample(range(1, n_frames), 2))


@pytest.fixture(scope="module")
def gone_on(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Results of runs that were saved at a random frame and gone on with in another process."""
    folder = tmp_path_factory.mktemp("states")
    jobs, results = [], {}
    for key, (name, fused) in zip(IDS, RUNS, strict=True):
        parts = made(name)
        first, again = cuts(key, parts.clock.n_frames)
        path = folder / f"{len(jobs)}.npz"
        save_state(parts, run_to(parts, initial_state(parts), first, fused=fused), path)
        jobs.append((name, fused, again, str(path)))
        results[key] = folder / f"{path.name}.done.npz"
    subprocess.run(
        [sys.executable, "-c", GO_ON, json.dumps(jobs)], check=True, cwd=ROOT, timeout=600
    )
    return results


@pytest.mark.parametrize("key", IDS)
def test_a_run_saved_anywhere_goes_on_in_another_process(key: str, gone_on: Any) -> None:
    name, fused = RUNS[IDS.index(key)]
    with np.load(gone_on[key]) as found:
        same(dict(found), parts_of_result(simulate(made(name), fused=fused)))


def test_the_cases_are_what_they_are_called() -> None:
    """Both paths, searches, moves under way, heat that changes propagators, sway."""
    fused = {name for name in CASES if not reasons_not_fused(made(name))}
    assert {"quake", "move", "heat", "equivalent"} <= fused
    assert not {"search", "rolling shutter", "another estimator"} & fused
    assert simulate(made("search")).traces.search_frames.any()
    assert (simulate(made("quake on mounts")).sway_m > 1e-5).all()
    assert run_to(made("heat"), initial_state(made("heat"))).resonance_change != 0.0


@pytest.mark.parametrize("name", ["move", "heat", "search"])
def test_every_state_of_a_run_can_be_gone_on_from_and_none_changes(name: str) -> None:
    """All are kept until the run is over, then gone on from: in any order, most of them twice."""
    parts = made(name)
    states = [initial_state(parts), *steps(parts, initial_state(parts))]
    before = [frozen(state) for state in states]
    whole = parts_of_result(finished(parts, states[-1]))
    for state in random.Random(1).choices(states[:-1], k=12):
        same(parts_of_result(finished(parts, run_to(parts, state))), whole)
    assert [frozen(state) for state in states] == before


def test_states_share_the_rows_of_the_traces_and_they_are_read_only() -> None:
    parts = made("move")
    *_, early, late = steps(parts, initial_state(parts))
    assert np.shares_memory(early.records.rows.error_rad, late.records.rows.error_rad)
    with pytest.raises(ValueError, match="read-only"):
        early.records.rows.error_rad[0] = 1.0
    own = copy_state(early)
    assert frozen(own) == frozen(early)
    assert not np.shares_memory(own.records.rows.error_rad, late.records.rows.error_rad)
    assert own.records.rows.error_rad.base is None


def test_branches_share_the_past_and_part_where_their_inputs_do() -> None:
    """A shock at 150 ms, and none: the same until then, bit for bit; other afterwards.

    A branch is the run that had its shock in the scenario from the start.
    """
    shock = ('disturbances=[{kind="shock",pulse="half_sine",peak_g=%g,duration_ms=11,'
             'direction="x",start_ms=150}]')  # fmt: skip
    calm, shaken = (made("move", shock % peak) for peak in (1e-9, 20.0))
    past = run_to(calm, initial_state(calm), 101)
    one, other = (
        parts_of_result(finished(parts, run_to(parts, past))) for parts in (calm, shaken)
    )
    rows = 148 // 4
    for name in ("error_rad", "measured_rad", "excess_db", "status"):
        assert np.array_equal(one[name][:rows], other[name][:rows], equal_nan=True), name
    assert np.abs(one["error_rad"] - other["error_rad"])[rows + 2 :].max() > 1e-6
    same(other, parts_of_result(simulate(shaken)))


def test_a_branch_may_take_another_controller_with_what_the_drive_holds() -> None:
    parts = made("move")
    other = dataclasses.replace(parts, controller=made("lqg").controller)
    past = run_to(parts, initial_state(parts), 50)
    with pytest.raises(ValueError, match="control"):
        run_to(other, past)
    handed = other.controller.hand_over(past.motion.waiting[-1].T)
    after = run_to(other, past._replace(control=handed), 51)
    jump_rad = np.abs(after.motion.waiting[-1] - past.motion.waiting[-1]).max()
    assert 0 < jump_rad < 50e-6 < np.abs(past.motion.waiting[-1]).max()


def test_a_run_can_be_made_longer() -> None:
    """From an end that is within a sampling interval of five frames."""
    short, long = made("quake", "duration_ms=152"), made("quake")
    end = run_to(short, initial_state(short))
    assert end.frame == 152
    result = finished(long, run_to(long, end))
    same(result.traces.arrays(), simulate(long).traces.arrays())


def test_a_state_with_other_mirrors_is_refused() -> None:
    parts, other = made("move"), made("move", "switch.geometry.ports_per_side=10")
    state = run_to(parts, initial_state(parts), 20)
    with pytest.raises(ValueError, match=r"motion\.moving\.tilt must be float64 \(2, 20\)"):
        run_to(other, state)
    with pytest.raises(ValueError, match="frame must be 200"):
        finished(parts, state)


@pytest.fixture(scope="module")
def parts() -> Parts:
    return made("move")


@pytest.fixture(scope="module")
def state(parts: Parts) -> LoopState:
    return run_to(parts, initial_state(parts), 70)


def test_what_is_loaded_is_what_was_saved(
    parts: Parts, state: LoopState, tmp_path: Path
) -> None:
    save_state(parts, state, tmp_path / "state.npz")
    assert frozen(load_state(parts, tmp_path / "state.npz")) == frozen(copy_state(state))
    assert [p.name for p in tmp_path.iterdir()] == ["state.npz"]


def test_a_file_is_not_replaced_unless_asked(
    parts: Parts, state: LoopState, tmp_path: Path
) -> None:
    path = tmp_path / "state.npz"
    path.write_text("mine")
    with pytest.raises(OutputError, match="already exists, left unchanged"):
        save_state(parts, state, path)
    assert path.read_text() == "mine"
    save_state(parts, state, path, overwrite=True)
    assert load_state(parts, path).frame == 70


def test_another_scenario_is_named_by_what_differs(
    parts: Parts, state: LoopState, tmp_path: Path
) -> None:
    save_state(parts, state, tmp_path / "state.npz")
    other = made("move", "camera.latency_us=800")
    with pytest.raises(StateError, match=r"camera\.latency_us is 700\.0 there, 800\.0 here"):
        load_state(other, tmp_path / "state.npz")
    assert load_state(made("move", 'title="another"'), tmp_path / "state.npz").frame == 70


@pytest.mark.parametrize("at", [0.02, 0.3, 0.6])
def test_a_file_with_a_flipped_byte_is_refused(
    parts: Parts, state: LoopState, tmp_path: Path, at: float
) -> None:
    path = tmp_path / "state.npz"
    save_state(parts, state, path)
    data = bytearray(path.read_bytes())
    data[int(at * len(data))] ^= 0x55
    path.write_bytes(bytes(data))
    with pytest.raises(StateError):
        load_state(parts, path)


@pytest.mark.parametrize("offset", [6, 8, 10], ids=["version", "flags", "compression"])
def test_a_directory_that_asks_for_what_cannot_be_read_is_refused(
    parts: Parts, state: LoopState, tmp_path: Path, offset: int
) -> None:
    path = tmp_path / "state.npz"
    save_state(parts, state, path)
    data = bytearray(path.read_bytes())
    data[data.rindex(b"PK\x01\x02") + offset] ^= 0x55
    path.write_bytes(bytes(data))
    with pytest.raises(StateError):
        load_state(parts, path)


@pytest.mark.parametrize("at", [0.95, 0.97, 0.99, 0.995])
def test_a_flipped_byte_in_the_directory_is_refused_or_changes_nothing(
    parts: Parts, state: LoopState, tmp_path: Path, at: float
) -> None:
    """The directory at the end of the file also holds dates, which nothing is read from."""
    path = tmp_path / "state.npz"
    save_state(parts, state, path)
    data = bytearray(path.read_bytes())
    data[int(at * len(data))] ^= 0x55
    path.write_bytes(bytes(data))
    try:
        loaded = load_state(parts, path)
    except StateError:
        return
    for (name, one), (other, two) in zip(leaves(state), leaves(loaded), strict=True):
        assert name == other
        np.testing.assert_array_equal(one, two, err_msg=name)


@pytest.mark.parametrize("share", [0.0, 0.5, 0.999])
def test_half_a_file_is_refused(
    parts: Parts, state: LoopState, tmp_path: Path, share: float
) -> None:
    path = tmp_path / "state.npz"
    save_state(parts, state, path)
    path.write_bytes(path.read_bytes()[: int(share * path.stat().st_size)])
    with pytest.raises(StateError, match="not a whole one"):
        load_state(parts, path)


def test_an_array_that_was_changed_is_refused(
    parts: Parts, state: LoopState, tmp_path: Path
) -> None:
    """A whole archive again, with good sums of its own; that over the state is not."""
    path = tmp_path / "state.npz"
    save_state(parts, state, path)
    with np.load(path) as archive:
        arrays = dict(archive)
    arrays["motion.moving.tilt"][0, 0] += 1e-9
    np.savez(path, **arrays)
    with pytest.raises(StateError, match="has changed since it was saved"):
        load_state(parts, path)


def test_pickled_objects_are_not_read(parts: Parts, tmp_path: Path) -> None:
    path = tmp_path / "state.npz"
    np.savez(path, header=np.array([{"a": 1}], dtype=object))
    with pytest.raises(StateError):
        load_state(parts, path)


def test_no_file_is_said(parts: Parts, tmp_path: Path) -> None:
    with pytest.raises(StateError, match="there is no such file"):
        load_state(parts, tmp_path / "none.npz")


class Counting:
    """A controller whose state is a dictionary, which a run takes and a file does not."""

    def initial_state(self, n_mirrors: int) -> Any:
        return {"frames": 0}

    def step(self, state: Any, reading: Any, setpoint: Any) -> tuple[Any, np.ndarray]:
        return {"frames": state["frames"] + 1}, np.zeros_like(reading.tilt_rad)


class Later(Counting):
    """One whose state takes another form in the first frame."""

    def initial_state(self, n_mirrors: int) -> Any:
        return None

    def step(self, state: Any, reading: Any, setpoint: Any) -> tuple[Any, np.ndarray]:
        return (1.0, 2.0), np.zeros_like(reading.tilt_rad)


@pytest.mark.parametrize(
    ("controller", "match"),
    [(Counting(), "control is a dict and cannot be saved"), (Later(), "control must be None")],
)
def test_a_plug_in_that_cannot_be_saved_is_named(
    controller: Any, match: str, tmp_path: Path
) -> None:
    parts = dataclasses.replace(made("move"), controller=controller)
    state = run_to(parts, initial_state(parts), 20)
    assert finished(parts, run_to(parts, state)).traces.error_rad.any()
    with pytest.raises(StateError, match=match):
        save_state(parts, state, tmp_path / "state.npz")
    assert not list(tmp_path.iterdir())
