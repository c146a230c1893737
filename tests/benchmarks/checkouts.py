"""Runs of the demo in processes of their own: together, of another checkout, on other registers.

A worker imports `looped` from `tests/benchmarks/speed.py` of its own checkout, so that what it
times is that checkout's code as that checkout calls it.
"""

import json
import os
import subprocess
import sys
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any, NamedTuple

from sim.foundations.errors import SimError

ROOT = Path(__file__).parents[2]
WORKER = """
import json, sys, time
from tests.benchmarks.speed import looped
calls = {}
for line in sys.stdin:
    if line not in calls:
        duration_ms, threads, fused, overrides = json.loads(line)
        calls[line] = looped(duration_ms, threads, *overrides, fused=fused)
        calls[line]()
    wall_s, used_s = time.perf_counter(), time.process_time()
    frames = calls[line]()
    wall_s, used_s = time.perf_counter() - wall_s, time.process_time() - used_s
    print(json.dumps([frames, wall_s, used_s]), flush=True)
"""


class Variant(NamedTuple):
    """What to run of the demo."""

    name: str
    duration_ms: int
    threads: int
    fused: bool = True
    overrides: tuple[str, ...] = ()

    @property
    def line(self) -> str:
        """What a worker is sent."""
        return json.dumps([self.duration_ms, self.threads, self.fused, self.overrides]) + "\n"


class Best(NamedTuple):
    """The best of several rounds, for a frame."""

    wall_s: float = 1e9
    used_s: float = 1e9
    """Processor time, which other programs on the machine disturb less. [s]"""

    def or_better(self, frames: int, wall_s: float, used_s: float) -> "Best":
        """Return the better of this and another round, each time by itself."""
        return Best(min(self.wall_s, wall_s / frames), min(self.used_s, used_s / frames))


class Worker:
    """A process that runs variants of the demo when asked to."""

    def __init__(self, checkout: Path, environment: dict[str, str]) -> None:
        path = os.pathsep.join([str(checkout), str(checkout / "sim" / "public")])
        self._checkout = checkout
        self._process = subprocess.Popen(
            [sys.executable, "-c", WORKER], stdin=subprocess.PIPE, stdout=subprocess.PIPE,
            text=True, cwd=checkout, env=os.environ | {"PYTHONPATH": path} | environment,
        )  # fmt: skip

    def ask(self, variant: Variant) -> None:
        """Let it run a variant."""
        assert self._process.stdin is not None
        self._process.stdin.write(variant.line)
        self._process.stdin.flush()

    def result(self) -> tuple[int, float, float]:
        """Return frames, wall time and processor time of what it was asked for. [s]"""
        assert self._process.stdout is not None
        line = self._process.stdout.readline()
        if not line:
            raise SimError(f"{self._checkout}: its tests/benchmarks/speed.py does not run")
        frames, wall_s, used_s = json.loads(line)
        return frames, wall_s, used_s

    def end(self) -> None:
        """End the process."""
        self._process.communicate()


@contextmanager
def workers(checkout: Path = ROOT, count: int = 1, **environment: str) -> Iterator[list[Worker]]:
    """Give workers of a checkout, and end them."""
    with ExitStack() as stack:
        made = []
        for _ in range(count):
            made.append(Worker(checkout, environment))
            stack.callback(made[-1].end)
        yield made


def together(some: Sequence[Worker], variant: Variant) -> tuple[int, float, float]:
    """Let workers run at the same time; return all frames, the longest time, and what all used."""
    for worker in some:
        worker.ask(variant)
    frames, wall_s, used_s = zip(*(worker.result() for worker in some), strict=True)
    return sum(frames), max(wall_s), sum(used_s)


def compared(
    other: Path, duration_ms: int, rounds: int
) -> dict[str, tuple[Best, Best]]:
    """Time this checkout and another one in turn; return (this, other) by variant.

    Which of the two goes first changes from round to round.
    """
    variants = [
        *(Variant(f"fused, {n} thread{'s' if n > 1 else ''}", duration_ms, n) for n in (1, 2)),
        Variant("frame by frame, 1 thread", duration_ms // 2, 1, fused=False),
        Variant("frame by frame, 2 threads", duration_ms // 2, 2, fused=False),
        Variant("exact, 1 thread", 80, 1, overrides=('camera.noise="exact"',)),
        Variant("none, 1 thread", duration_ms, 1, overrides=('camera.noise="none"',)),
        Variant("equivalent, 1 thread", duration_ms, 1, overrides=('camera.noise="equivalent"',)),
    ]
    found = {variant.name: (Best(), Best()) for variant in variants}
    with workers() as mine, workers(other.resolve()) as theirs:
        for turn in range(rounds):
            for variant in variants:
                pair = list(found[variant.name])
                for side in (0, 1) if turn % 2 == 0 else (1, 0):
                    pair[side] = pair[side].or_better(*together((mine, theirs)[side], variant))
                found[variant.name] = pair[0], pair[1]
    return found


class Registers(NamedTuple):
    """The demo on one kind of vector registers, best times for a frame."""

    name: str
    one: Best
    two_threads: Best
    two_processes: Best
    """A frame of either."""


AVX2 = {"NUMBA_CPU_NAME": "x86-64-v3", "NUMBA_CPU_FEATURES": "+avx2,+fma"}


def on_registers(own: str, duration_ms: int, rounds: int) -> list[Registers]:
    """Time threads and processes on the processor's registers, and on AVX2 where they are wider."""
    sets: dict[str, dict[str, str]] = {own: {}}
    if own.startswith("AVX-512"):
        sets["AVX2, 8 numbers of single precision in a register"] = AVX2
    found = {name: [Best(), Best(), Best()] for name in sets}
    one, two = Variant("", duration_ms, 1), Variant("", duration_ms, 2)
    with ExitStack() as stack:
        pairs: dict[str, Any] = {
            name: stack.enter_context(workers(count=2, **environment))
            for name, environment in sets.items()
        }
        for _ in range(rounds):
            for name, pair in pairs.items():
                best = found[name]
                ways = ((pair[:1], one), (pair[:1], two), (pair, one))
                for k, (some, variant) in enumerate(ways):
                    best[k] = best[k].or_better(*together(some, variant))
    return [Registers(name, *best) for name, best in found.items()]
