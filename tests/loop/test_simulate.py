"""The closed loop as a whole: stability limit, noise, latency, and sameness of runs."""

import dataclasses
import math
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest

from controllers.integrator import Integrator
from sim.assembly.build import build
from sim.foundations.ports import Array, Setpoint, TiltReading
from sim.kernels import compiled, plain
from sim.kernels.threads import on_threads
from sim.loop.parts import Parts
from sim.loop.simulate import simulate
from sim.results.traces import Traces
from sim.scenario.model import load_scenario

ONE_MIRROR = Path(__file__).parents[1] / "one_mirror.toml"
HUT = Path(__file__).parents[2] / "scenarios" / "harrow_point_reconfigure.toml"
D_FRAMES = {1: 450.0, 2: 1450.0, 3: 2450.0}
"""Latency [us] after 50 us of exposure that makes a correction seen d frames later: it comes in
the middle of a frame, and the mirror has half a frame to settle, 25 times w t = 1."""


def made(*overrides: str, path: Path = ONE_MIRROR, kernels: ModuleType = compiled) -> Parts:
    return build(load_scenario(path, list(overrides)), kernels).parts


def run(*overrides: str, **where: Any) -> Traces:
    return simulate(made(*overrides, **where)).traces


class Kicked:
    """An integrator that starts with a correction already in it."""

    def __init__(self, controller: Integrator, kick_rad: float) -> None:
        self._controller = controller
        self._kick_rad = kick_rad

    def initial_state(self, n_mirrors: int) -> Any:
        return self._controller.hand_over(np.full((n_mirrors, 2), self._kick_rad))

    def step(self, state: Any, reading: TiltReading, setpoint: Setpoint) -> tuple[Any, Array]:
        return self._controller.step(state, reading, setpoint)


@pytest.mark.parametrize("d", [1, 2, 3])
@pytest.mark.parametrize("share", [0.4, 0.95, 1.05])
def test_integrator_with_delay_decays_and_grows_as_its_polynomial_says(
    d: int, share: float
) -> None:
    """z^d - z^(d-1) + K = 0 (Astrom and Wittenmark): stable below 2 sin(pi / (2 (2 d - 1))).

    The correction is held against the recursion u[k] = u[k-1] - K u[k-d]. Tolerance 1 % of the
    largest: the mirror follows within a frame to e^-18, the centroid of 20 DN an electron is
    good to 1e-3 px of some px (it cuts the edge of the spot at a threshold above nothing), and
    gain errors of 1e-4 multiply over 30 frames.
    """
    gain = share * 2 * math.sin(math.pi / (2 * (2 * d - 1)))
    frames = 30
    parts = made(
        f"duration_ms={frames}", f"controller.integral_per_frame={gain}",
        f"camera.latency_us={D_FRAMES[d]}",
    )
    kick = 1e-4
    parts = dataclasses.replace(parts, controller=Kicked(parts.controller, kick))
    correction = simulate(parts).traces.correction_rad[:, 0, :]
    u = np.zeros(frames)
    for k in range(frames):
        u[k] = (u[k - 1] if k else kick) - gain * (u[k - d] if k >= d else 0.0)
    for axis in range(2):
        assert correction[:, axis] == pytest.approx(u, abs=0.01 * np.abs(u).max())
    early, late = np.abs(correction[8:18]).max(), np.abs(correction[-10:]).max()
    assert (late > early) == (share > 1)


NOISE_GAIN = {(1, 0.3): 0.17647059, (2, 0.3): 0.24223602, (3, 0.3): 0.35004822, (2, 0.5): 0.6}
NOISY = ("switch.geometry.ports_per_side=32", "switch.geometry.columns=8", 'camera.noise="fast"',
         "estimator.threshold_dn=1400", "camera.signal_e=5000.0")  # fmt: skip


@pytest.fixture(scope="module")
def reading_variance() -> float:
    """Variance of the readings of mirrors that stand still. [rad^2]"""
    still = run("duration_ms=400", 'controller={kind="open_loop"}', *NOISY)
    assert np.abs(still.error_rad).max() < 1e-12 + 85e-3 / 2**21
    assert (still.status == 0).all()
    white = still.measured_rad - still.measured_rad.mean(axis=0)
    lag_one = (white[1:] * white[:-1]).mean() / (white**2).mean()
    assert abs(lag_one) < 4.5 / np.sqrt(white.size) + 1 / 400
    return float((white**2).mean() * 400 / 399)


@pytest.mark.parametrize(("d", "gain"), list(NOISE_GAIN))
def test_loop_passes_on_its_share_of_the_camera_noise(
    d: int, gain: float, reading_variance: float
) -> None:
    """Mirror variance over reading variance: K / (2 - K) for d = 1, and so on.

    Solved as Lyapunov equations of z^d - z^(d-1) + K (standard linear theory). The interval is
    4 standard errors over 128 independent axes, plus 1 % for the slope of the centroid.
    """
    traces = run("duration_ms=400", f"controller.integral_per_frame={gain}",
                 f"camera.latency_us={D_FRAMES[d]}", *NOISY)  # fmt: skip
    variance = (traces.error_rad[60:].astype(float) ** 2).mean(axis=0).ravel()
    expected = NOISE_GAIN[d, gain] * reading_variance
    error = variance.std() / np.sqrt(variance.size)
    assert error < 0.03 * expected
    assert variance.mean() == pytest.approx(expected, abs=4 * error + 0.01 * expected)


@pytest.mark.parametrize("latency_frames", [0.35, 0.5, 0.7, 1.0, 1.6, 2.0, 2.35])
def test_first_correction_is_at_the_drive_on_its_tick(latency_frames: float) -> None:
    """From the frame's start, exposure included, in ticks of 1/20 frame; the frame is frame 0."""
    parts = made(
        "duration_ms=5", f"camera.latency_us={1000 * latency_frames - 50}", "traces.sample_hz=20000"
    )
    parts = dataclasses.replace(parts, controller=Kicked(parts.controller, 3e-4))
    assert parts.latency_ticks == round(20 * latency_frames)
    error = simulate(parts).traces.error_rad[:, 0, 0]
    first = int(np.flatnonzero(np.abs(error) > 1e-6)[0])  # error at the end of that tick
    assert first == round(20 * latency_frames)


@pytest.mark.parametrize(("latency_us", "ticks"), [(300.0, 7), (310.0, 8), (340.0, 8)])
def test_latency_between_ticks_waits_for_the_next(latency_us: float, ticks: int) -> None:
    assert made(f"camera.latency_us={latency_us}").latency_ticks == ticks


SMALL = ("duration_ms=60", "switch.moves.0.at_ms=20", "metrics.hold_from_ms=50.0",
         "switch.connections=[[0, 5], [1, 90], [17, 3]]",
         "switch.moves.0.connections=[[0, 90], [1, 5], [17, 3]]")  # fmt: skip


def test_same_seed_gives_the_same_traces_whatever_the_threads() -> None:
    runs = []
    short = ("duration_ms=40", "switch.moves.0.at_ms=10", "metrics.hold_from_ms=20.0")
    for count in (1, 2, 3):
        with on_threads(count):
            runs.append(run(*short, path=HUT).arrays())
    for name, value in runs[0].items():
        for other in runs[1:]:
            assert np.array_equal(value, other[name], equal_nan=value.dtype.kind == "f"), name
    another = run(*short, "seed=21", path=HUT)
    assert not np.array_equal(another.error_rad, runs[0]["error_rad"])


def test_parts_can_be_run_twice() -> None:
    parts = made(*SMALL, path=HUT)
    one, two = (simulate(parts).traces.arrays() for _ in range(2))
    for name, value in one.items():
        assert np.array_equal(value, two[name], equal_nan=value.dtype.kind == "f"), name


STILL = ("switch.moves=[]", "metrics.hold_from_ms=20.0")


def test_mirror_does_not_depend_on_which_others_carry_light() -> None:
    """Connections 0 and 17 alone, then in company: the same motion, bit for bit."""
    few = run("duration_ms=40", *STILL, "switch.connections=[[0, 5], [17, 3]]",
              path=HUT)  # fmt: skip
    company = "switch.connections=[[0, 5], [1, 90], [17, 3], [60, 61], [95, 0]]"
    many = run("duration_ms=40", *STILL, company, path=HUT)
    columns = [list(many.mirrors).index(m) for m in few.mirrors]
    assert few.mirrors.tolist() == [0, 17, 96 + 3, 96 + 5]
    for name in ("error_rad", "error_mean_rad", "error_peak_rad", "measured_rad", "correction_rad"):
        assert np.array_equal(getattr(few, name), getattr(many, name)[:, columns]), name
    shared = [list(many.inputs).index(i) for i in few.inputs]
    assert np.array_equal(few.excess_db, many.excess_db[:, shared])


def test_compiled_and_plain_runs_agree() -> None:
    """Pixels are within one digital number, few of them off; the drive's codes can follow.

    One flipped pixel of 24 x 24 moves a reading by 12 px / 40000 DN: 0.6 urad; a code is 5 urad,
    which is 0.01 dB or so for a mirror that is near its aim.
    """
    fast = run(*SMALL, path=HUT)
    meant = run(*SMALL, path=HUT, kernels=plain)
    assert np.abs(fast.error_rad).max() > 1e-3
    assert np.median(np.abs(fast.error_rad - meant.error_rad)) < 2e-7
    assert fast.error_rad == pytest.approx(meant.error_rad, abs=2e-5)
    assert np.array_equal(fast.lost_frames, meant.lost_frames)
    assert fast.excess_db == pytest.approx(meant.excess_db, rel=2e-2, abs=2e-2)
