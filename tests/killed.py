"""Programs killed at any moment, stores with a flipped bit: nothing is lost, nothing is half."""

import json
import os
import random
import shutil
import signal
import time
from collections import Counter
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, Future
from contextlib import contextmanager, suppress
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from sim.cli.main import cli
from sim.foundations.files.filing import MARKER, WORK, marker
from sim.scenario.gallery import find
from sim.scenario.model import load_scenario
from sim.studies.life import levers, switches
from sim.studies.run.make import make_run
from sim.studies.sweep import run as sweep_run
from sim.studies.sweep.execute import Engine
from sim.studies.sweep.store import FILE, LOCK, read_store
from tests.command_lines import Files
from tests.studies.sweep.cases import NAME, QUICK, VARY

SHORT = tuple(word for value in QUICK for word in ("--set", value))
RUN = ("run", NAME, *SHORT, "--threads", "1", "--overwrite")
SWEEP = ("sweep", NAME, *SHORT, *(w for v in VARY for w in ("--vary", v)), "--seeds", "1")
TABLE = "table.csv"
LIFE = ("life", "switch.toml", "--workers", "1")
ENDS = ("whole", "out")
STUDIES = {
    "switches in a life": (*LIFE, "--switches", "4"),
    "levers of a life": (*LIFE, "--levers"),
    "yield": ("yield", "switch.toml", "--switches", "20", "--tolerances", "4"),
    "campaign": ("campaign", "campaign.toml", "--workers", "1"),
    "formats": ("formats", "good.toml", "--vary", "estimator.position_fraction=6,8"),
    "replay": ("replay", "event.toml", "--margins", "none"),
}
"""Words of long commands; files are those of `tests.command_lines.Files`."""
MOMENTS = ("provenance", "started", "runs_s", "took_s", "asked")
"""Keys that tell when, how long and by which words, not what."""


class Here(Executor):
    """Does what it is handed at once, in this process: the runs of a sweep, without workers."""

    def submit(self, call, /, *args, **kwargs):
        future: Future[Any] = Future()
        future.set_result(call(*args, **kwargs))
        return future


@contextmanager
def no_processes(workers: int) -> Iterator[Engine]:
    """Take the place of worker processes, which take seconds to start."""
    yield Engine(Here(), lambda: 1)


def ended(
    words: tuple[str, ...], kill_after_s: float | None = None, *, workers: bool = False
) -> int:
    """Run a command in a process of its own, and return its exit code.

    It is forked, so that it need not load libraries; it is killed after a time, if asked for.
    Without `workers`, it does the runs of a sweep itself.
    """
    load_kernels()
    child = os.fork()
    if child == 0:
        if not workers:
            for study in (sweep_run, switches, levers):
                study.local_processes = no_processes  # type: ignore[assignment]
        with open(os.devnull, "w") as nowhere:
            os.dup2(nowhere.fileno(), 1)
            os.dup2(nowhere.fileno(), 2)
        try:
            cli.main(list(words))
        except SystemExit as exc:
            os._exit(exc.code if isinstance(exc.code, int) else 70)
        os._exit(70)
    if kill_after_s is not None:
        until = time.monotonic() + kill_after_s
        while time.monotonic() < until:
            done, status = os.waitpid(child, os.WNOHANG)
            if done:
                return os.waitstatus_to_exitcode(status)
            time.sleep(0.002)
        os.kill(child, signal.SIGKILL)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


@cache
def load_kernels() -> None:
    """Load the compiled kernels here, so that no forked process has to."""
    make_run(load_scenario(find(NAME), QUICK), threads=1, pictures=False)


def kill_sweeps(count: int, folder: Path, rng: random.Random, *, workers: int = 0) -> Counter[str]:
    """Kill a sweep `count` times; what it had kept stays, and the table is the same in the end.

    With `workers`, its runs are in so many processes of their own, which are left without it.
    """
    words = (*SWEEP, "--workers", str(workers or 1), "--out")

    def run(out: Path, kill_after_s: float | None = None) -> int:
        return ended((*words, str(out)), kill_after_s, workers=workers > 0)

    began = time.monotonic()
    assert run(folder / "whole") in (0, 1)
    whole = (folder / "whole" / TABLE).read_bytes()
    key = _key(folder / "whole")
    seen: Counter[str] = Counter()
    kept: dict[int, object] = {}
    out, longest_s = folder / "out", (0.9 if workers else 0.5) * (time.monotonic() - began)
    while seen["killed"] < count:
        code = run(out, rng.uniform(0.0, longest_s))
        seen["killed" if code == -signal.SIGKILL else "ended by itself"] += 1
        store = out / FILE
        if store.exists():
            found = read_store(store, key)
            lost = [run for run in kept if found.outcomes.get(run) != kept[run]]
            assert not lost and not found.damaged, (lost, found.damaged)
            kept = dict(found.outcomes)
        table = out / TABLE
        assert not table.exists() or table.read_bytes() == whole, "a table that is not whole"
        if code != -signal.SIGKILL:
            assert code in (0, 1) and table.read_bytes() == whole, code
            seen["tables the same to the last byte"] += 1
            shutil.rmtree(out)
            kept = {}
    assert run(out) in (0, 1)
    assert (out / TABLE).read_bytes() == whole
    seen["tables the same to the last byte"] += 1
    return seen


def kill_runs(count: int, folder: Path, rng: random.Random) -> Counter[str]:
    """Kill a run `count` times as it replaces a result; there is always one that is whole."""
    out, seen = folder / "out", Counter[str]()
    began = time.monotonic()
    assert ended((*RUN, "--out", str(out))) in (0, 1)
    takes_s = time.monotonic() - began
    whole = _result(out)
    while seen["killed"] < count:
        code = ended((*RUN, "--out", str(out)), rng.uniform(0.0, 1.1 * takes_s))
        seen["killed" if code == -signal.SIGKILL else "ended by itself"] += 1
        assert code in (-signal.SIGKILL, 0, 1), code
        seen["left a folder to be removed"] += bool(list(folder.glob(f"{WORK}*")))
        assert _result(out) == whole, "a result that is not whole"
    assert ended((*RUN, "--out", str(out))) in (0, 1)
    assert _result(out) == whole, "a result that is not whole"
    left = [str(path) for work in folder.glob(f"{WORK}*") for path in (work, *work.rglob("*"))]
    assert not left, left
    return seen


def kill_studies(
    count: int, folder: Path, rng: random.Random
) -> Iterator[tuple[str, Counter[str]]]:
    """Kill each of the long studies `count` times; yield its name, and how often it ended how.

    Whenever one was killed, what lies in its place is a whole result, or none; run again it ends
    with what it finds if nobody disturbs it, and leaves nothing else behind.
    """
    files = Files(folder)
    for name, words in STUDIES.items():
        place = folder / name
        place.mkdir()
        every = [files.named(word) if word.endswith(".toml") else word for word in words]
        began = time.monotonic()
        assert ended((*every, "--out", str(place / "whole"))) in (0, 1), words
        longest_s = time.monotonic() - began
        whole = _figures(place / "whole")
        seen: Counter[str] = Counter()
        out = place / "out"
        while seen["killed"] < count or seen["ended by itself"] == 0:
            last = seen["killed"] >= count
            kill_after_s = None if last else rng.uniform(0.0, longest_s)
            code = ended((*every, "--out", str(out)), kill_after_s)
            seen["killed" if code == -signal.SIGKILL else "ended by itself"] += 1
            found = marker(out)
            if (out / "report.html").exists():
                assert found is not None and _figures(out) == whole, (name, code)
            if code != -signal.SIGKILL:
                assert code in (0, 1) and _figures(out) == whole, (name, code)
                seen["results the same"] += 1
                stores = {f"{end}-{kept}" for end in ENDS for kept in ("switches", "levers")}
                left = {path.name for path in place.iterdir()}
                assert left <= {*ENDS, *stores}, (name, left)
                for path in left:
                    if path.startswith("out"):
                        shutil.rmtree(place / path)
        yield name, seen


def _figures(out: Path) -> dict[str, object]:
    """Return what every whole result of a study has in common: all but when, and how long."""
    found = marker(out)
    assert found is not None
    there = {p.relative_to(out).as_posix() for p in out.rglob("*") if p.is_file()}
    assert there >= set(found["files"]), set(found["files"]) - there
    figures: dict[str, object] = {name: None for name in there - {FILE, LOCK}}
    for name in there:
        path = out / name
        if path.suffix == ".csv":
            figures[name] = path.read_bytes()
        elif path.suffix == ".json" and name != MARKER:
            figures[name] = _timeless(json.loads(path.read_text(encoding="utf-8")))
    return figures


def _timeless(part: Any) -> Any:
    if isinstance(part, dict):
        return {key: _timeless(value) for key, value in part.items() if key not in MOMENTS}
    return [_timeless(value) for value in part] if isinstance(part, list) else part


def flip_bits(count: int, folder: Path, rng: random.Random) -> Counter[str]:
    """Flip one bit of a finished store, `count` times; each is found, and repaired or refused."""
    if not (folder / "whole" / TABLE).exists():
        assert ended((*SWEEP, "--workers", "1", "--out", str(folder / "whole"))) in (0, 1)
    store = folder / "whole" / FILE
    key, good = _key(folder / "whole"), store.read_bytes()
    outcomes = read_store(store, key).outcomes
    seen: Counter[str] = Counter()
    for _ in range(count):
        data = bytearray(good)
        at = rng.randrange(8 * len(data))
        data[at // 8] ^= 1 << at % 8
        (folder / "flipped").write_bytes(bytes(data))
        found = _quietly(lambda: read_store(folder / "flipped", key))
        if found is None or found.damaged or found.whole < len(good):
            seen["found"] += 1
            rest = {} if found is None else found.outcomes
            assert all(outcomes[run] == rest[run] for run in rest), at
        else:
            assert found.outcomes == outcomes, f"bit {at} changes an outcome, and is not found"
            seen["changes nothing"] += 1
    return seen


def _quietly(read: Callable[[], object]) -> object:
    from sim.foundations.errors import SimError

    with suppress(SimError):
        return read()
    return None


def _key(folder: Path) -> str:
    from sim.studies.sweep.store import _text

    identity = read_store(folder / FILE, "").identity
    assert identity is not None
    return _text(identity)


def _result(out: Path) -> tuple[object, ...]:
    """Return what is the same in every whole result of this run, and check that it is whole."""
    found = marker(out)
    assert found is not None
    there = {p.relative_to(out).as_posix() for p in out.rglob("*") if p.is_file()}
    assert there == {*found["files"], MARKER}, there
    results = json.loads((out / "results.json").read_text(encoding="utf-8"))
    results.pop("provenance")
    with np.load(out / "traces.npz") as traces:
        arrays = tuple((name, traces[name].tobytes()) for name in sorted(traces.files))
    return json.dumps(results, sort_keys=True), arrays
