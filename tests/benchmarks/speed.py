"""Measure the speed of the product beside its opponents, in one run on one machine.

`python tests/benchmarks/speed.py [--write]`; with `--write`, the tables go to docs/performance.md
and the figure to docs/performance.png. `--against PATH` times another checkout as well, in turn,
and `--only-against` nothing else. Not a test: times depend on the machine and on what else it
does. Every figure is the best of several rounds, and the rounds of all variants take turns.
"""

import argparse
import os
import platform
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, NamedTuple

import llvmlite.binding as llvm
import numba
import numpy as np

from sim.assembly.build import build
from sim.foundations.rng import Stream
from sim.kernels import compiled, plain
from sim.kernels.compiled import fill_normals
from sim.kernels.threads import on_threads
from sim.loop.parts import Parts
from sim.loop.simulate import simulate
from sim.loop.stopwatch import Spent
from sim.scenario.model import load_scenario

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))
from tests.benchmarks.by_hand import by_python_control, by_solve_ivp, run_script  # noqa: E402
from tests.benchmarks.checkouts import (  # noqa: E402
    Variant,
    compared,
    on_registers,
    together,
    workers,
)

DEMO = ROOT / "scenarios" / "harrow_point_earthquake.toml"
PORTS = {24: 6, 48: 8, 80: 10, 96: 12, 192: 16, 384: 24}
"""Ports a side, and columns of the array."""
THREADS = (1, 2)


class Spents(NamedTuple):
    """What took the time on each path."""

    fused: Spent
    frame_by_frame: Spent


class Timing(NamedTuple):
    """Best time of a variant."""

    name: str
    frames: int
    seconds: float

    @property
    def per_frame_s(self) -> float:
        """Seconds a frame."""
        return self.seconds / self.frames


def made(*overrides: str, kernels: Any = compiled) -> Parts:
    """Build the demo, shortened."""
    return build(
        load_scenario(DEMO, ["metrics.hold_from_ms=20", *overrides]), kernels
    ).parts


def looped(
    duration_ms: int, threads: int, *overrides: str, fused: bool = True
) -> Callable[[], int]:
    """Return a call that simulates the demo and gives its frames."""
    parts = made(f"duration_ms={duration_ms}", *overrides)

    def call() -> int:
        with on_threads(threads):
            simulate(parts, fused=fused)
        return parts.clock.n_frames

    return call


def best(variants: dict[str, Callable[[], int]], rounds: int) -> dict[str, Timing]:
    """Time all variants in turn, a few times over."""
    found: dict[str, Timing] = {}
    for _ in range(rounds):
        for name, call in variants.items():
            began = time.perf_counter()
            frames = call()
            spent = time.perf_counter() - began
            if name not in found or spent < found[name].seconds:
                found[name] = Timing(name, frames, spent)
    return found


def noise_limits() -> dict[str, Callable[[], int]]:
    """Drawing one single-precision normal for each pixel of 200 frames, and nothing else."""
    parts = made("duration_ms=100")
    m, (height, width) = len(parts.mirrors), parts.measurement.window_px
    n = 200
    pixels = np.zeros((height * width // 2, 2, m), np.float32)
    calls: dict[str, Callable[[], int]] = {}
    for kind in (np.random.SFC64, np.random.PCG64, np.random.Philox):
        generator = np.random.Generator(kind(1))

        def by_numpy(generator: np.random.Generator = generator) -> int:
            for _ in range(n):
                generator.standard_normal(dtype=np.float32, out=pixels)
            return n

        calls[f"numpy {kind.__name__}"] = by_numpy
    for threads in THREADS:

        def compiled(threads: int = threads) -> int:
            with on_threads(threads):
                for k in range(n):
                    fill_normals(pixels, parts.mirrors, 0, k, (parts.seed, int(Stream.PIXELS)))
            return n

        compiled()
        calls[f"compiled, {named(threads)}"] = compiled
    return calls


def named(threads: int) -> str:
    """Say how many threads."""
    return f"{threads} thread{'s' if threads > 1 else ''}"


def opponents(quick: bool) -> dict[str, Timing]:
    """Script, python-control and plain numpy; a few frames are enough."""
    parts = made("duration_ms=200")
    frames = 2
    found = best(
        {
            "script, solve_ivp": lambda: len(run_script(parts, frames, by_solve_ivp)),
            "script, python-control": lambda: len(run_script(parts, frames, by_python_control)),
        },
        1 if quick else 2,
    )
    by_hand = made("duration_ms=64", kernels=plain)

    def by_numpy() -> int:
        simulate(by_hand)
        return by_hand.clock.n_frames

    return found | best({"vectorised numpy": by_numpy}, 1 if quick else 2)


def product(duration_ms: int) -> dict[str, Callable[[], int]]:
    """The product: paths, fidelities, threads."""
    calls: dict[str, Callable[[], int]] = {}
    for threads in THREADS:
        calls[f"fused, {named(threads)}"] = looped(duration_ms, threads)
        calls[f"frame by frame, {named(threads)}"] = looped(
            duration_ms // 2, threads, fused=False
        )
        calls[f"equivalent, {named(threads)}"] = looped(
            duration_ms, threads, 'camera.noise="equivalent"'
        )
        calls[f"exact, {named(threads)}"] = looped(80, threads, 'camera.noise="exact"')
        calls[f"none, {named(threads)}"] = looped(duration_ms, threads, 'camera.noise="none"')
    return calls


@contextmanager
def side_by_side(duration_ms: int) -> Iterator[Callable[[], int]]:
    """Give a call that lets two processes simulate the demo, each by itself on one thread."""
    variant = Variant("fused, 1 thread", duration_ms, 1)
    with workers(count=2) as pair:
        together(pair, variant)
        yield lambda: together(pair, variant)[0]


def by_mirrors(duration_ms: int) -> dict[str, Callable[[], int]]:
    """The fused path for more and more mirrors: "mirrors, threads"."""
    return {
        f"{2 * ports}, {threads}": looped(
            duration_ms, threads, f"switch.geometry.ports_per_side={ports}",
            f"switch.geometry.columns={columns}", f"switch.geometry.pitch_mm={18 / columns}",
            "switch.optics.mirror_radius_um=300",
        )
        for ports, columns in PORTS.items()
        for threads in THREADS
    }  # fmt: skip


def by_frames() -> dict[str, Callable[[], int]]:
    """The fused path on one thread for longer and longer runs."""
    return {f"{frames}": looped(frames, 1) for frames in (250, 500, 1000, 2000, 4000, 8000)}


RUN = """
import pathlib, resource, sys
from sim.studies.run.run import run
from sim.scenario.model import load_scenario
run(load_scenario(sys.argv[1], sys.argv[2:]))
status = pathlib.Path("/proc/self/status")
if status.exists():
    print(next(line.split()[1] for line in status.open() if line.startswith("VmHWM")))
else:
    print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)
"""
"""On Linux, `ru_maxrss` of a process begins with that of the one which started it: no use here."""


def memory_mb(duration_s: int, sample_hz: float) -> tuple[float, float]:
    """Return the largest resident memory of a run of the demo, and what its traces hold. [MB]"""
    overrides = [
        f"duration_ms={1000 * duration_s}", f"traces.sample_hz={sample_hz}",
        f"metrics.dwell_ms={max(5.0, 1e3 / sample_hz)}", "metrics.hold_from_ms=20",
    ]  # fmt: skip
    told = subprocess.run(
        [sys.executable, "-c", RUN, str(DEMO), *overrides],
        check=True, capture_output=True, text=True, cwd=ROOT,
    )  # fmt: skip
    unit = 1.0 if sys.platform == "darwin" else 1024.0
    parts = made(*overrides)
    rows, m, c = duration_s * sample_hz, len(parts.mirrors), len(parts.inputs)
    traces = rows * (m * (4 * 2 * 4 + 4 * 4 + 1) + c * 6 * 4)
    return float(told.stdout) * unit / 1e6, traces / 1e6


Start = tuple[float, float, float]
"""Time to the first word, to the end, and of the processor. [s]"""


def started(call: list[str], **environment: str) -> Start:
    """Time a command."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    began = time.perf_counter()
    with subprocess.Popen(
        call, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
        env=os.environ | environment,
    ) as process:  # fmt: skip
        assert process.stdout is not None
        process.stdout.readline()
        first = time.perf_counter() - began
        process.stdout.read()
    wall = time.perf_counter() - began
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return first, wall, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def start_up(rounds: int) -> dict[str, Start]:
    """Time commands, kernels compiled before; last, a run that finds none."""
    command = str(Path(sys.executable).with_name("mirrorloop"))
    with tempfile.TemporaryDirectory() as folder:
        run = [command, "run", "single_mirror_step", "--out", f"{folder}/run", "--overwrite"]
        calls = {
            "mirrorloop --help": [command, "--help"],
            "mirrorloop check single_mirror_step": [command, "check", "single_mirror_step"],
            "mirrorloop run single_mirror_step": run,
        }
        found: dict[str, Start] = {}
        for _ in range(rounds):
            for name, call in calls.items():
                found[name] = min(found.get(name, (1e9, 1e9, 1e9)), started(call))
        first = started(run, NUMBA_CACHE_DIR=f"{folder}/kernels")
    return found | {"mirrorloop run single_mirror_step, the first time": first}


def vectors() -> str:
    """Name the widest vector registers that kernels are compiled for."""
    config: Any = numba.config
    chosen = config.CPU_FEATURES
    if chosen is not None:
        features = {each[1:] for each in chosen.split(",") if each.startswith("+")}
    else:
        features = {name for name, has in llvm.get_host_cpu_features().items() if has}
    for feature, name, bits in (
        ("avx512f", "AVX-512", 512), ("avx2", "AVX2", 256), ("avx", "AVX", 256),
        ("neon", "Neon", 128), ("sse2", "SSE2", 128),
    ):  # fmt: skip
        if feature in features:
            return f"{name}, {bits // 32} numbers of single precision in a register"
    return "vector registers unknown"


def machine() -> str:
    """Name the machine by what it is, not by who made it."""
    return (
        f"{platform.machine()} ({vectors()}), {os.cpu_count()} processors, "
        f"{platform.system()}, Python {platform.python_version()}, numpy {np.__version__}, "
        f"numba {numba.__version__}"
    )


def main() -> None:
    """Measure, print, and write where asked to."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--write", action="store_true", help="Write docs/performance.md.")
    parser.add_argument("--quick", action="store_true", help="Few and short rounds.")
    parser.add_argument("--against", type=Path, metavar="PATH", help="Another checkout to time.")
    parser.add_argument("--only-against", action="store_true", help="Compare, and nothing else.")
    options = parser.parse_args()
    if options.only_against and options.against is None:
        parser.error("--only-against needs --against PATH")
    sys.stderr.write(f"load before: {os.getloadavg()[0]:.2f}\n")
    rounds, duration_ms = (1, 500) if options.quick else (20, 1000)

    def tell(what: str) -> None:
        sys.stderr.write(f"measuring {what}\n")

    sides = {}
    if options.against is not None:
        tell(f"this checkout and {options.against}")
        sides = compared(options.against, duration_ms, 2 if options.quick else 20)
        if options.only_against:
            from tests.benchmarks.speed_page import comparison

            print("\n".join(comparison(sides)))
            return
    tell("kernels (to load or compile them)")
    for call in product(200).values():
        call()
    tell("the product, and the drawing of noise")
    with side_by_side(duration_ms) as processes:
        variants = product(duration_ms) | {"fused, 2 processes": processes}
        found = best(variants | noise_limits(), rounds)
    tell("opponents")
    found |= opponents(options.quick)
    tell("growth with mirrors")
    mirrors = best(by_mirrors(500), rounds)
    tell("growth with frames")
    frames = best(by_frames(), 1 if options.quick else 5)
    tell("memory")
    memory = {d: memory_mb(d, 20.0) for d in ((2, 4) if options.quick else (5, 20, 80))}
    memory_full = memory_mb(20, 1000.0)
    tell("start-up")
    starts = start_up(1 if options.quick else 4)
    registers = []
    if not options.quick:
        tell("vector registers")
        registers = on_registers(vectors(), duration_ms, rounds)
    parts = made(f"duration_ms={duration_ms}")
    with on_threads(1):
        spent = Spents(simulate(parts).spent, simulate(parts, fused=False).spent)

    from tests.benchmarks.speed_page import figure, page

    text = page(
        machine(), found, mirrors, frames, memory, memory_full, starts, spent, registers, sides
    )
    print(text)
    if options.write:
        (ROOT / "docs" / "performance.md").write_text(text, encoding="utf-8")
        figure(found, mirrors, frames, ROOT / "docs" / "performance.png")


if __name__ == "__main__":
    main()
