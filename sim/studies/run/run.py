"""One run from a scenario to a result: build, simulate, judge."""

import datetime
import importlib.metadata
import platform
import time
from collections.abc import Callable
from typing import Any

import numba
import numpy as np
from numpy.typing import NDArray

from sim.assembly.build import Built, build
from sim.kernels.vectors import N as LANES
from sim.loop.fused import reasons_not_fused
from sim.loop.simulate import BLOCK_FRAMES, LoopResult, simulate
from sim.loop.stopwatch import Spent
from sim.loop.surroundings import Surroundings
from sim.mechanics.shock_spectrum import shock_spectrum
from sim.ports import Array
from sim.results.limits import check_limits
from sim.results.metrics import evaluate
from sim.scenario.model import Scenario
from sim.studies.run.result import Result

numba_config: Any = numba.config
PACKAGES = ("numpy", "scipy", "numba", "opencv-python-headless", "pydantic", "matplotlib")
SPECTRUM_QUALITY = 10.0
SPECTRUM_POINTS = 60
SPECTRUM_SAMPLES = 400_000
"""Longer accelerations are thinned to about this many samples before their spectrum is taken."""
ASSUMPTIONS = (
    "Excess loss, that over aligned, is a quadratic form of small tilt errors of both mirrors "
    "about the aligned beam; clipping is that of the aligned beam. Beyond about 40 dB it only "
    "means that there is no light: scattered light and crosstalk are not modelled.",
    "Core acceleration acts on every mirror along the arrays' own axes and is the same everywhere.",
    "The switch and its surroundings are those of the scenario; values marked there as invented "
    "or chosen have not been measured on any hardware.",
)


def run(
    scenario: Scenario,
    progress: Callable[[int, int], None] | None = None,
    *,
    threads: int | None = None,
) -> Result:
    """Run one scenario.

    Parameters
    ----------
    scenario : Scenario
        From `sim.load_scenario`.
    progress : callable, optional
        Called with (finished frames, all frames) as the run goes on.
    threads : int, optional
        Threads of the compiled kernels; the result does not depend on it. All there are if left
        out, but no more than there is work for.

    Returns
    -------
    Result
        Figures, limits, traces and what is needed to file them; nothing is written yet.

    Raises
    ------
    SimError
        If the scenario cannot be run as it stands.
    """
    started = datetime.datetime.now(datetime.UTC)
    clock_s = time.perf_counter()
    built = build(scenario)
    if threads is None:
        blocks = -(-len(built.parts.mirrors) // LANES)
        threads = min(numba_config.NUMBA_NUM_THREADS, blocks)
    numba.set_num_threads(threads)
    total = built.parts.clock.n_frames
    tell = None if progress is None else lambda done: progress(done, total)
    outcome = simulate(built.parts, tell)
    ports = scenario.switch.geometry.ports_per_side
    figures = evaluate(outcome.traces, built.parts.epochs, scenario.metrics, ports=ports)
    provenance = {
        "version": importlib.metadata.version("mirrorloop"),
        "seed": scenario.seed,
        "python": platform.python_version(),
        "packages": {name: importlib.metadata.version(name) for name in PACKAGES},
        "started": started.isoformat(timespec="seconds"),
        "wall_s": round(time.perf_counter() - clock_s, 3),
        "simulated_s": total * built.parts.clock.frame_s,
        "mirrors": len(built.parts.mirrors),
        "threads": threads,
        "path": _path(outcome.spent),
        "path_because": list(reasons_not_fused(built.parts)),
        "start_s": round(outcome.spent.start_s, 3),
        "spent_s": {k: round(v, 4) for k, v in outcome.spent.shared_out_s().items()},
    }
    return Result(
        scenario=built.resolved,
        figures=figures,
        limits=check_limits(figures, scenario.limits),
        traces=outcome.traces,
        epochs=built.parts.epochs,
        images=outcome.images,
        shock_spectrum=_spectrum(built),
        notes=(*built.warnings, *_sway(built, outcome), *ASSUMPTIONS),
        provenance=provenance,
    )


def _path(spent: Spent) -> str:
    return "fused" if spent.fused_frames else "frame by frame"


def _sway(built: Built, outcome: LoopResult) -> tuple[str, ...]:
    if built.parts.isolator is None or outcome.sway_m is None:
        return ()
    sway = ", ".join(f"{1e3 * value:.2f}" for value in outcome.sway_m)
    return (f"Largest sway of the core on its mounts, x, y, z: {sway} mm.",)


def _spectrum(built: Built) -> tuple[Array, Array, float] | None:
    """Shock response spectrum of the core's acceleration, or None without any."""
    acceleration = core_acceleration(built)
    if not acceleration.any():
        return None
    stride = max(1, len(acceleration) // SPECTRUM_SAMPLES)
    rate_hz = 1.0 / (built.parts.clock.tick_s * stride)
    frequencies = np.geomspace(2.0, min(2000.0, rate_hz / 20.0), SPECTRUM_POINTS)
    axes = [
        shock_spectrum(axis, rate_hz, frequencies, SPECTRUM_QUALITY)
        for axis in acceleration[::stride].T
    ]
    return frequencies, np.stack(axes, axis=-1), SPECTRUM_QUALITY


def core_acceleration(built: Built) -> NDArray[np.float64]:
    """Return (n, 3) core acceleration at every tick edge of the run, made anew. [m/s^2]"""
    around = Surroundings(built.parts)
    blocks = []
    n_frames = built.parts.clock.n_frames
    for first in range(0, n_frames, BLOCK_FRAMES):
        block = around.advance(first, min(BLOCK_FRAMES, n_frames - first))
        blocks.append(block.acceleration[:-1])
    return np.concatenate(blocks)
