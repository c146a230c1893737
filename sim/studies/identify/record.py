"""Logs of the simulated switch, as a laboratory would record them: what identification is tried on.

The excitation is added to the controller's correction, frame by frame; readings are those of the
simulated camera and estimator, with every disturbance of the scenario.
"""

from collections.abc import Callable
from dataclasses import replace
from typing import Any, Final, NamedTuple

import numpy as np

from controllers.open_loop import OpenLoop, OpenLoopParams
from sim.assembly.build import Built, build
from sim.foundations.errors import ScenarioError
from sim.foundations.ports import Array, Setpoint, TiltReading
from sim.foundations.rng import Stream, normals
from sim.loop.simulate import simulate
from sim.scenario.model import Scenario
from sim.studies.identify.excitation import excitation
from sim.studies.margins.plant import plant_belief

KINDS: Final = ("series", "decay", "staircase")
DECAY_PERIODS: Final = 30.0
SAMPLES_PER_PERIOD: Final = 12.0
STAIRS: Final = 11
STAIR_FRAMES: Final = 60
"""Frames on each stair; readings of the second half count."""


class Excited:
    """A controller with an excitation added to its corrections, inside the drive's limits."""

    def __init__(self, controller: Any, excitation_rad: Array) -> None:
        self._controller = controller
        self._excitation_rad = excitation_rad

    def initial_state(self, n_mirrors: int) -> tuple[Any, int]:
        """Return the controller's state, and the frame."""
        return self._controller.initial_state(n_mirrors), 0

    def step(
        self, state: tuple[Any, int], reading: TiltReading, setpoint: Setpoint
    ) -> tuple[tuple[Any, int], Array]:
        """Return (next state, correction with excitation (M, 2) [rad])."""
        inner, frame = state
        inner, correction = self._controller.step(inner, reading, setpoint)
        asked = correction + self._excitation_rad[frame]
        granted = np.clip(asked, setpoint.lowest_rad, setpoint.highest_rad)
        return (inner, frame + 1), granted


class RecordedLog(NamedTuple):
    """A log of the simulated switch."""

    arrays: dict[str, Any] | None
    """Of a time series, as `sim.studies.identify.log` reads them from NPZ."""
    columns: dict[str, Any] | None
    """Of a decay or a staircase, as it reads them from CSV."""
    built: Built


def record(
    scenario: Scenario,
    kind: str,
    *,
    excite: str = "multisine",
    amplitude_rad: float = 3e-4,
    frames: int = 2048,
    closed: bool = False,
    noise_rad: float = 2e-6,
    progress: Callable[[int, int], None] | None = None,
) -> RecordedLog:
    """Excite the switch of a scenario and record what a laboratory would.

    Parameters
    ----------
    scenario : Scenario
        Its moves are left out; its disturbances act.
    kind : str
        `series`: readings at the frame rate under an excitation; `decay`: true tilt after a step
        of the drive, as a vibrometer at the drive's rate shows it; `staircase`: mean readings at
        eleven standing voltages.
    excite : str
        Excitation of a series, see `sim.studies.identify.excitation`.
    amplitude_rad : float
        Its largest magnitude; half the span of a staircase. [rad]
    frames : int
        Length of a series.
    closed : bool
        Whether the scenario's controller goes on during a series; else in open loop.
    noise_rad : float
        Noise of the vibrometer on each sample. [rad]

    Raises
    ------
    ScenarioError
        If the scenario cannot be run so.
    """
    if kind not in KINDS:
        raise ScenarioError(f'a log must be one of {", ".join(KINDS)} (got "{kind}")')
    make = {"series": _series, "decay": _decay, "staircase": _staircase}[kind]
    return make(scenario, excite, amplitude_rad, frames, closed, noise_rad, progress)


def _series(
    scenario: Scenario, excite: str, amplitude_rad: float, frames: int, closed: bool,
    noise_rad: float, progress: Any,
) -> RecordedLog:  # fmt: skip
    try:
        both = np.stack([excitation(excite, frames, amplitude_rad, a) for a in (0, 1)], axis=1)
    except ValueError as exc:
        raise ScenarioError(str(exc)) from exc
    built, traces = _run(scenario, both, scenario.camera.frame_hz, closed, progress)
    parts = built.parts
    shape = (frames, len(parts.mirrors), 2)
    return RecordedLog(
        {
            "period_s": np.array(parts.clock.frame_s),
            "mirrors": parts.mirrors,
            "excitation_rad": np.broadcast_to(both[:, None], shape).copy(),
            "correction_rad": traces.correction_rad.astype(float),
            "reading_rad": traces.measured_rad.astype(float),
            "reference_rad": parts.epochs[0].aim_rad + parts.population.alignment_rad,
        },
        None,
        built,
    )


def _decay(
    scenario: Scenario, excite: str, amplitude_rad: float, frames: int, closed: bool,
    noise_rad: float, progress: Any,
) -> RecordedLog:  # fmt: skip
    """A step of the drive down to its old value, and what the mirrors do from then on."""
    before = 40
    slowest_hz = min(scenario.mirror.resonance_hz)
    after = int(np.ceil(DECAY_PERIODS / slowest_hz * scenario.camera.frame_hz)) + 2
    step = np.zeros((before + after + 2, 2))
    step[:before] = amplitude_rad
    built, traces = _run(scenario, step, 1e3 * scenario.drive.update_khz, False, progress)
    parts = built.parts
    update_hz = 1.0 / parts.clock.tick_s
    stride = max(1, int(update_hz / (SAMPLES_PER_PERIOD * max(scenario.mirror.resonance_hz))))
    # The step down arrives a latency after the frame that it was made in; the amplifier follows.
    start = before * parts.clock.ticks_per_frame + int(parts.delay_ticks.max())
    start += int(np.ceil(8.0 * parts.drive.lag_s / parts.clock.tick_s))
    rows = np.arange(start, start + int(DECAY_PERIODS / slowest_hz * update_hz), stride)
    rows = rows[rows < len(traces.time_s)]
    tilt = traces.error_rad[rows].astype(float)
    z = normals(
        (scenario.seed, Stream.INSTRUMENT), parts.mirrors[None, :], np.arange(len(rows))[:, None]
    )
    tilt = tilt + noise_rad * z
    t, m, a = np.meshgrid(
        traces.time_s[rows] - traces.time_s[rows[0]], parts.mirrors, [0, 1], indexing="ij"
    )
    axis = np.where(a == 0, "x", "y")
    columns = {"mirror": m, "axis": axis, "time_s": t, "tilt_urad": 1e6 * tilt}
    return RecordedLog(None, {k: v.reshape(-1) for k, v in columns.items()}, built)


def _staircase(
    scenario: Scenario, excite: str, amplitude_rad: float, frames: int, closed: bool,
    noise_rad: float, progress: Any,
) -> RecordedLog:  # fmt: skip
    levels = np.linspace(-amplitude_rad, amplitude_rad, STAIRS)
    held = np.repeat(levels, STAIR_FRAMES)
    # One axis after the other, so that what each couples into the other stays out of its gain.
    alone = np.stack([held, np.zeros_like(held)], axis=1)
    both = np.concatenate([alone, alone[:, ::-1]])
    built, traces = _run(scenario, both, scenario.camera.frame_hz, False, progress)
    parts = built.parts
    reading, correction = (
        _own_stairs(array.astype(float)) for array in (traces.measured_rad, traces.correction_rad)
    )
    correction = correction[:, -1]
    with np.errstate(invalid="ignore"):
        tilt = np.nanmean(reading[:, STAIR_FRAMES // 2 :], axis=1)
    aim = parts.epochs[0].aim_rad + parts.population.alignment_rad
    cubic = np.array(scenario.mirror.cubic_per_rad2)
    asked = aim * (1.0 + cubic * aim**2) + correction
    ratio = asked / parts.fleet.believed_gain.T
    volts = np.copysign(np.sqrt(np.abs(ratio)), ratio) if parts.drive.square else ratio
    volts = parts.drive.lsb_v * np.rint(volts / parts.drive.lsb_v)
    shape = volts.shape
    columns = {
        "mirror": np.broadcast_to(parts.mirrors[None, :, None], shape),
        "axis": np.broadcast_to(np.array(["x", "y"]), shape),
        "voltage_v": volts,
        "tilt_urad": 1e6 * tilt,
    }
    return RecordedLog(None, {k: np.asarray(v).reshape(-1) for k, v in columns.items()}, built)


def _own_stairs(array: Array) -> Array:
    """Return (STAIRS, STAIR_FRAMES, M, 2) of frames (T, M, 2): of each axis while it was moved."""
    stairs = array.reshape(2, STAIRS, STAIR_FRAMES, -1, 2)
    return np.stack([stairs[axis, ..., axis] for axis in (0, 1)], axis=-1)


def _run(
    scenario: Scenario, excitation_rad: Array, sample_hz: float, closed: bool, progress: Any
) -> tuple[Built, Any]:
    """Simulate with an excitation (frames, 2) of every mirror, sampled at a rate."""
    frames = len(excitation_rad)
    frame_ms = 1e3 / scenario.camera.frame_hz
    metrics = scenario.metrics.replace(
        hold_from_ms=0.0, hold_to_ms=None, dwell_ms=max(scenario.metrics.dwell_ms, 2 * frame_ms)
    )
    tree = scenario.model_dump(mode="json", exclude_none=True)
    tree["switch"]["moves"] = []
    tree |= {
        "duration_ms": (frames + 0.5) * frame_ms,
        "metrics": metrics.model_dump(mode="json", exclude_none=True),
        "traces": {"sample_hz": sample_hz},
    }
    built = build(type(scenario).model_validate(tree))
    parts = built.parts
    inner = parts.controller
    if not closed:
        inner = OpenLoop(OpenLoopParams(), plant_belief(built))
    padded = np.concatenate([excitation_rad, excitation_rad[-1:]])
    whole = np.broadcast_to(padded[:, None], (len(padded), len(parts.mirrors), 2))
    parts = replace(parts, controller=Excited(inner, whole), pictures=())
    total = parts.clock.n_frames
    tell = None if progress is None else lambda done: progress(done, total)
    return built, simulate(parts, tell).traces


def truth_of(built: Built) -> dict[str, Any]:
    """Return what the simulated mirrors really are, to hold an identification against."""
    population = built.parts.population
    scenario = built.resolved
    rows = []
    for i, mirror in enumerate(built.parts.mirrors):
        for axis in (0, 1):
            rows.append(
                (
                    int(mirror), "xy"[axis],
                    population.resonance_rad_s[i, axis] / (2 * np.pi),
                    population.quality[i, axis],
                    1.0 / population.calibration_ratio[i, axis],
                    1e6 * built.parts.delay_ticks[i, axis] * built.parts.clock.tick_s,
                    population.cross_axis[i, axis],
                    scenario.mirror.cubic_per_rad2[axis],
                    scenario.drive.gain * population.gain_ratio[i, axis],
                )
            )  # fmt: skip
    names = ("mirror", "axis", "resonance_hz", "quality", "gain", "delay_us", "cross_axis",
             "cubic_per_rad2", "tilt_per_volt_rad")  # fmt: skip
    return dict(zip(names, map(list, zip(*rows, strict=True)), strict=True))
