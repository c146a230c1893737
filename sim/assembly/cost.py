"""What a run takes: memory and time, estimated before anything is made, and limits on both."""

import os
from importlib.util import find_spec
from typing import Any, Final, NamedTuple

from sim.estimators import ESTIMATORS
from sim.foundations.errors import ScenarioError
from sim.kernels.installed import NEEDED, SWITCH
from sim.scenario.model import Scenario

BASE_GB: Final = 0.35
"""Program, libraries and compiled kernels."""
MIRROR_BYTES: Final = 49
"""In the traces, for a mirror and a sample."""
CONNECTION_BYTES: Final = 24
COPIES: Final = 3.0
"""The traces, and what judging and drawing makes of them."""
MOVED_BYTES: Final = 17
"""For a mirror and a move: its aim, and whether it moved."""
EPOCH_BYTES: Final = 600
"""For a connection and a move: aims, aligned loss, its quadratic form and its beams."""
WINDOW_BYTES: Final = 24
"""For a pixel of a mirror's window: frames, and fixed patterns where there are any."""
HISTORY_BYTES: Final = 16
"""For a mirror and the edge of a tick, in the frames that are run in one go: its two tilts."""
HISTORY_FRAMES: Final = 256
"""Frames that are run in one go at most."""
TICK_S: Final = 3e-8
"""Of one processor, for a tick of a mirror."""
PIXEL_S: Final = {"fast": 1.3e-9, "exact": 9e-9, "equivalent": 1e-10, "none": 7e-10}
"""Of one processor, for a pixel of a frame."""
SPOT_S: Final = 2e-5
"""Of one processor, for a spot, with an estimator other than the fused one."""
STAGES_S: Final = (4.7e-4, 2.6e-6)
"""Of one processor, beyond a fused frame: for a frame that goes stage by stage, as those under
events do, and for each of its mirrors."""
WATCH_S: Final = (6.5e-4, 2e-6)
"""The same, for what a health watch does in a frame."""
SHARE: Final = 0.8
"""Of the machine's memory, that a run may have unless the user says otherwise."""
HOURS: Final = 24.0
GB: Final = 1e9


class RunCost(NamedTuple):
    """An estimate, good to a factor of three or so; outside code can take any time."""

    memory_gb: float
    hours: float
    """On one processor."""

    def words(self) -> str:
        """Return it as people say it."""
        seconds = 3600.0 * self.hours
        if seconds < 90:
            time = f"{max(seconds, 1.0):.0f} s"
        else:
            time = f"{seconds / 60:.0f} min" if seconds < 5400 else f"{self.hours:.3g} h"
        return f"about {self.memory_gb:.2g} GB and, on one processor, {time}"


class Budget(NamedTuple):
    """The most that a run may take."""

    memory_gb: float
    hours: float = HOURS


def cost_of(scenario: Scenario) -> RunCost:
    """Estimate what a run of a scenario takes; makes nothing."""
    switch = scenario.switch
    wirings = [switch.connections, *(move.connections for move in switch.moves)]
    outputs = switch.geometry.outputs
    most = min(switch.geometry.ports_per_side, outputs)
    connections = max(most if isinstance(wiring, str) else len(wiring) for wiring in wirings)
    mirrors = connections + _outputs(wirings, outputs)
    height, width = scenario.camera.window_px
    seconds = 1e-3 * scenario.duration_ms
    samples = seconds * scenario.traces.sample_hz
    ticks = seconds * 1e3 * scenario.drive.update_khz
    frames = seconds * scenario.camera.frame_hz
    traces = samples * (mirrors * MIRROR_BYTES + connections * CONNECTION_BYTES + 48) * COPIES
    windows = mirrors * height * width * WINDOW_BYTES
    epochs = len(wirings) * (mirrors * MOVED_BYTES + connections * EPOCH_BYTES)
    patterns = 48.0 * ticks  # base and core acceleration at every tick, for the shock spectrum
    pixel_s = PIXEL_S[scenario.camera.noise] * height * width
    kind = scenario.estimator.get("kind")
    by_sums = kind in ESTIMATORS and ESTIMATORS[str(kind)].pixel_sums is not None
    spot_s = 0.0 if by_sums else SPOT_S + 20 * pixel_s
    busy_s = mirrors * (ticks * scenario.engine.substeps * TICK_S + frames * (pixel_s + spot_s))
    in_one_go = min(frames, HISTORY_FRAMES) if scenario.health is None else 1
    history = mirrors * HISTORY_BYTES * in_one_go * (ticks / frames + 1)
    staged = 1.0 if scenario.health is not None else under_events(scenario)
    busy_s += frames * staged * (STAGES_S[0] + mirrors * STAGES_S[1])
    if scenario.health is not None:
        busy_s += frames * (WATCH_S[0] + mirrors * WATCH_S[1])
    memory = traces + windows + epochs + patterns + history
    return RunCost(BASE_GB + memory / GB, busy_s / 3600.0)


def no_compiler() -> str | None:
    """Return why a run would take the plain kernels, as far as that is known without loading any.

    The estimate of the time is for the compiled ones.
    """
    if os.environ.get(SWITCH, "0").strip() not in ("", "0"):
        return f"{SWITCH} is set"
    missing = [name for name in NEEDED if find_spec(name) is None]
    return f"{missing[0]} is not installed" if missing else None


def under_events(scenario: Scenario) -> float:
    """Return the share of the frames that lie in some event, as far as its times say."""
    run_ms = scenario.duration_ms
    frame_ms = 1e3 / scenario.camera.frame_hz
    total_ms, covered_ms = 0.0, 0.0
    for event in sorted(scenario.events, key=lambda event: _number(event.get("at_ms"), 0.0)):
        first = _number(event.get("at_ms"), 0.0)
        long = _number(event.get("for_ms"), run_ms)
        if "frames" in event:
            long = _number(event["frames"], run_ms) * frame_ms
        last = min(first + long, run_ms)
        total_ms += max(last - max(first, covered_ms), 0.0)
        covered_ms = max(covered_ms, last)
    return min(total_ms / run_ms, 1.0)


def _number(value: Any, instead: float) -> float:
    return float(value) if isinstance(value, (int, float)) else instead


def _outputs(wirings: list[Any], ports: int) -> int:
    """Return how many mirrors of array B carry light at some time, moves included."""
    if any(isinstance(wiring, str) for wiring in wirings):
        return ports
    return len({output for wiring in wirings for _, output in wiring})


def default_budget() -> Budget:
    """Return what a run may take unless the user says otherwise: most of the memory, and a day."""
    try:
        size = float(os.sysconf("SC_PHYS_PAGES")) * os.sysconf("SC_PAGE_SIZE")
    except (AttributeError, ValueError, OSError):  # not on every system
        size = 8 * GB
    return Budget(SHARE * size / GB)


def check_memory(scenario: Scenario, budget: Budget | None = None) -> None:
    """Refuse a scenario that needs more memory than a run may have.

    Raises
    ------
    ScenarioError
        With the estimate, the limit, and how to raise it.
    """
    most = (budget or default_budget()).memory_gb
    needed = cost_of(scenario).memory_gb
    if needed > most:
        raise ScenarioError(
            f"duration_ms: the run needs about {needed:.3g} GB of memory, more than the limit of "
            f"{most:.3g} GB. A shorter run, fewer mirrors or a lower traces.sample_hz need less; "
            "--most-memory raises the limit"
        )


def check_time(scenario: Scenario, budget: Budget | None = None) -> None:
    """Refuse a scenario that takes longer than a run may.

    Raises
    ------
    ScenarioError
        With the estimate, the limit, and how to raise it.
    """
    most = (budget or default_budget()).hours
    needed = cost_of(scenario).hours
    if needed > most:
        raise ScenarioError(
            f"duration_ms: the run takes about {needed:.3g} h on one processor, more than the "
            f"limit of {most:.3g} h; --most-hours raises it"
        )
