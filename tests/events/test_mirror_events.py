"""Mirrors, boards and supplies that fail: each against a closed form or another integration."""

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.linalg import expm, solve_discrete_lyapunov

from sim.foundations.errors import ScenarioError
from sim.foundations.ports import SpotStatus
from tests.events.rig import built, ran

FOUR = ("switch.geometry.ports_per_side=4", "switch.geometry.columns=2",
        'switch.connections="reversed"')  # fmt: skip
OPEN = 'controller={kind="open_loop"}'
FREE = (*FOUR, OPEN, "traces.sample_hz=20000", "metrics.dwell_ms=1", "camera.window_px=[40,40]")
HZ, QUALITY = 1000.0, 50.0
RINGS = (*FREE, f"mirror.resonance_hz=[{HZ},{HZ}]", f"mirror.quality=[{QUALITY},{QUALITY}]")
W, ZETA = 2 * math.pi * HZ, 0.5 / QUALITY
TICK = 50e-6


def tilts(made, result):
    """Tilt (T, M, 2) at the end of each tick. [rad]"""
    return result.traces.error_rad.astype(float) + made.parts.epochs[0].aim_rad


def free_ring(time_s):
    """Share of its tilt that a released mirror still has: under-damped, from rest.

    Textbook form of the initial-value response of m x'' + c x' + k x = 0.
    """
    damped = W * math.sqrt(1 - ZETA**2)
    return np.exp(-ZETA * W * time_s) * (
        np.cos(damped * time_s) + ZETA / math.sqrt(1 - ZETA**2) * np.sin(damped * time_s)
    )


def test_a_board_without_power_lets_its_mirrors_ring_about_rest_and_back():
    # Off at 2.0 ms, back at 42 ms: 20 periods at Q = 50 leave exp(-2.5) = 0.08, so both parts add.
    made, result = ran(
        '[{kind="board_power",board="A-1",at_ms=2,for_ms=40}]', *RINGS, "drive.amplifier_khz=9e5"
    )
    tilt = tilts(made, result)
    aim = made.parts.epochs[0].aim_rad
    assert np.abs(aim[:, 1]).min() > 5e-3
    after = np.arange(1, len(tilt) + 1) * TICK
    fallen = after > 2e-3
    share = np.where(fallen, free_ring(np.maximum(after - 2e-3, 0)), 1.0)
    share = share + np.where(after > 42e-3, 1 - free_ring(np.maximum(after - 42e-3, 0)), 0.0)
    on_a = made.parts.mirrors < 4
    # Within a code of the DAC, 41 nrad, and single precision of the traces.
    np.testing.assert_allclose(tilt[:, on_a], share[:, None, None] * aim[on_a], atol=1e-7)
    np.testing.assert_allclose(tilt[:, ~on_a], np.broadcast_to(aim[~on_a], tilt[:, ~on_a].shape),
                               atol=1e-7)  # fmt: skip
    # First swing beyond rest: exp(-pi zeta / sqrt(1 - zeta^2)) of the tilt (textbook overshoot).
    over = -(tilt[:, on_a] / aim[on_a])[..., 1].min(axis=0)
    assert over == pytest.approx(math.exp(-math.pi * ZETA / math.sqrt(1 - ZETA**2)), abs=2e-3)


def test_ringing_down_takes_the_time_that_the_quality_says():
    # t = Q ln(A0 / A) / (pi f0): 7.33 ms from 1 to 0.63 of ... here from 1 to 0.1 at Q = 50, 1 kHz:
    # 36.65 ms (handbook form of the logarithmic decrement).
    made, result = ran('[{kind="board_power",board="A-1",at_ms=0}]', *RINGS)
    share = np.abs(tilts(made, result)[:, 0, 1] / made.parts.epochs[0].aim_rad[0, 1])
    last = int(np.flatnonzero(share > 0.1)[-1]) * TICK
    assert last == pytest.approx(QUALITY * math.log(10) / (math.pi * HZ), abs=0.5e-3)


def test_a_supply_that_falls_and_rises_slowly_is_followed():
    # A stiff, quick mirror (8 kHz, Q = 0.7) shows the channel's own course: exponentials.
    made, result = ran(
        '[{kind="board_power",board="B-1",at_ms=5,for_ms=10,fall_ms=3,rise_ms=2}]', *FREE, ms=40
    )
    which = made.parts.mirrors >= 4
    share = tilts(made, result)[:, which, 1] / made.parts.epochs[0].aim_rad[which, 1]
    t = np.arange(1, len(share) + 1) * TICK
    left = np.exp(-np.clip(t - 5e-3, 0, 10e-3) / 3e-3)
    end = math.exp(-10 / 3)
    wanted = np.where(t < 15e-3, left, 1 - (1 - end) * np.exp(-(t - 15e-3) / 2e-3))
    quiet = (np.abs(t - 5e-3) > 1e-3) & (np.abs(t - 15e-3) > 1e-3)
    # Late by the mirror's lag, 1 / (w Q) = 28 us, and by less than two ticks: 0.13 / 2 ms.
    assert np.abs(share[quiet] - wanted[quiet, None]).max() < 0.13e-3 / 2e-3


def test_another_board_comes_back_with_another_gain():
    made, result = ran(
        '[{kind="board_power",board="A-1",at_ms=5,for_ms=5,gain_error_pct=2}]', *FREE, ms=40
    )
    share = tilts(made, result)[-1] / made.parts.epochs[0].aim_rad
    new = share[made.parts.mirrors < 4, 1] - 1
    assert np.abs(share[made.parts.mirrors >= 4, 1] - 1).max() < 1e-5
    assert 0 < np.abs(new).min() and np.abs(new).max() <= 0.06  # cut off at three deviations


def test_a_sagging_supply_takes_gain_as_an_exponential():
    made, result = ran(
        '[{kind="supply_sag",at_ms=5,for_ms=15,sag_pct=20,tau_ms=2}]', *FREE, ms=60
    )
    share = (tilts(made, result) / made.parts.epochs[0].aim_rad)[..., 1]
    t = np.arange(1, len(share) + 1) * TICK

    def course(time_s, down):  # the capacitor's own equation, integrated
        aim = 0.8 if 5e-3 <= time_s < 20e-3 else 1.0
        return [(aim - down[0]) / 2e-3]

    found = solve_ivp(course, (0, t[-1]), [1.0], t_eval=t, rtol=1e-9, atol=1e-12, max_step=5e-5)
    assert np.abs(share - found.y[0][:, None]).max() < 0.2 * 0.13e-3 / 2e-3


def test_a_stuck_mirror_stays_to_the_bit_and_its_integrator_winds_evenly():
    made, result = ran(
        '[{kind="mirror_stuck",mirrors=["A01"],axis="y",at_ms=20,for_ms=30},'
        '{kind="mirror_drifting",mirrors=["A01"],at_ms=10,rate_urad_per_s=3000,for_ms=10}]',
        *FOUR, "controller.integral_per_frame=0.2",
    )  # fmt: skip
    error = result.traces.error_rad[:, 1]
    assert np.ptp(error[20:50, 1]) == 0.0
    assert np.ptp(error[20:50, 0]) > 0.0  # the other axis moves on
    step = np.diff(result.traces.correction_rad[21:50, 1, 1].astype(float))
    # e stays, so each frame adds K e (the integrator's law, by hand).
    reading = made.parts.epochs[0].aim_rad[1, 1] - result.traces.measured_rad[22:50, 1, 1]
    np.testing.assert_allclose(step, 0.2 * reading, atol=2e-9)


@pytest.mark.parametrize("gain", [0.3, 1.7])
def test_a_weak_mirror_settles_with_its_own_factor(gain):
    # e' = (1 - K g) e after the command's share is lost, one frame of delay (difference equation).
    _, result = ran(
        f'[{{kind="mirror_weak",mirrors=["A00"],at_ms=0,gain={gain}}}]', *FOUR,
        "controller.integral_per_frame=0.3", "camera.exposure_us=5", "camera.latency_us=495",
        "estimator.threshold_dn=1400", "camera.window_px=[60,60]",
    )  # fmt: skip
    error = result.traces.error_rad[2:8, 0, 1].astype(float)
    # Readings of noiseless spots are good to some 1e-3 of a pixel.
    assert error[1:] / error[:-1] == pytest.approx(np.full(5, 1 - 0.3 * gain), abs=0.02)


def test_an_oscillating_amplifier_swings_the_mirror_as_its_resonance_says():
    # |H| = 1 / sqrt((1 - r^2)^2 + (r / Q)^2), r = f / f0 (textbook); steps of 50 us take off
    # sinc(f T): 0.4 % at 1 kHz.
    f, f0, q = 600.0, 700.0, 8.0
    made, result = ran(
        f'[{{kind="mirror_oscillating",mirrors=["B02"],axis="x",at_ms=0,amplitude_urad=100,'
        f"frequency_hz={f}}}]", *FREE, f"mirror.resonance_hz=[{f0},{f0}]",
        f"mirror.quality=[{q},{q}]", "drive.amplifier_khz=9e5", ms=60,
    )  # fmt: skip
    tilt = result.traces.error_rad[600:, 6].astype(float)
    r = f / f0
    wanted = 100e-6 * np.sinc(f * TICK) / math.hypot(1 - r * r, r / q)
    swing = math.sqrt(2) * tilt[:, 0].std()
    assert swing == pytest.approx(wanted, rel=2e-3)
    assert np.abs(tilt[:, 1]).max() < 1e-7
    with pytest.raises(ScenarioError, match="below half of the drive's update rate, 10000 Hz"):
        built('[{kind="mirror_oscillating",mirrors=["A00"],at_ms=0,amplitude_urad=1,'
              "frequency_hz=10000}]")  # fmt: skip


def test_a_noisy_amplifier_shakes_the_mirror_as_lyapunov_says():
    # x' = F x + G u with u white in steps of a tick: covariance from the discrete Lyapunov equation
    # (scipy), propagator by the exponential of the augmented matrix.
    f0, q, rms = 700.0, 2.0, 100e-6
    made, result = ran(
        '[{kind="mirror_noisy",mirrors=["A00-A03","B00-B03"],at_ms=0,rms_urad=100}]', *FREE,
        f"mirror.resonance_hz=[{f0},{f0}]", f"mirror.quality=[{q},{q}]",
        "drive.amplifier_khz=9e5", ms=400,
    )  # fmt: skip
    w = 2 * math.pi * f0
    whole = expm(np.array([[0, 1, 0], [-w * w, -w / q, w * w], [0, 0, 0]]) * TICK)
    phi, gamma = whole[:2, :2], whole[:2, 2:]
    wanted = solve_discrete_lyapunov(phi, rms**2 * gamma @ gamma.T)[0, 0]
    found = result.traces.error_rad[200:].astype(float).var()
    # 16 series; correlation lasts some 2 Q / w = 0.9 ms, so 16 x 390 / 1 independent values.
    assert found == pytest.approx(wanted, rel=3.5 * math.sqrt(2 / (16 * 390)))


def test_a_drifting_mirror_lags_by_what_an_integrator_leaves_to_a_ramp():
    # Ramp of s a frame behind an integrator of K with one frame of delay: before each reading the
    # error is s / K (final value of the difference equation e' = (1 - K) e + s).
    made, result = ran(
        '[{kind="mirror_drifting",mirrors=["A00"],at_ms=0,rate_urad_per_s=30000,axis="x"}]',
        "controller.integral_per_frame=0.3", "camera.exposure_us=5", "camera.latency_us=495",
        "estimator.threshold_dn=1400",
    )  # fmt: skip
    error = result.traces.error_rad[60:, 0, 0].astype(float)
    assert error == pytest.approx(np.full(40, 30e-6 / 0.3), rel=0.02)


def test_a_shorted_mirror_flies_to_its_stop_and_stays():
    # Amplifier lag and mirror by solve_ivp up to the stop.
    f0, q, lag = 700.0, 8.0, 1 / (2 * math.pi * 4e3)
    made, result = ran(
        '[{kind="mirror_shorted",mirrors=["A00"],axis="y",way="-",at_ms=5,for_ms=10}]', *FREE,
        f"mirror.resonance_hz=[{f0},{f0}]", f"mirror.quality=[{q},{q}]", "drive.amplifier_khz=4",
        ms=40,
    )  # fmt: skip
    tilt = tilts(made, result)[:, 0, 1]
    start, w = made.parts.epochs[0].aim_rad[0, 1], 2 * math.pi * f0
    # The channel's gain is that of the short at once, its voltage goes there through the lag.
    end = -1.2 * 80e-3
    from_tilt = start / 85e-3 * 1.2 * 80e-3

    def motion(t, x):
        u = end + (from_tilt - end) * math.exp(-t / lag)
        return [x[1], w * w * (u - x[0]) - w / q * x[1]]

    def stop(t, x):
        return x[0] + 80e-3

    stop.terminal = True
    found = solve_ivp(motion, (0, 5e-3), [start, 0.0], events=stop, rtol=1e-9, atol=1e-12)
    hit = int((tilt <= -79.999e-3).argmax()) * TICK
    assert hit == pytest.approx(5e-3 + found.t_events[0][0], abs=1.5 * TICK)
    assert (tilt[200:300] == pytest.approx(-80e-3, abs=1e-6)) and tilt.min() >= -80.001e-3
    assert tilt[-1] == pytest.approx(start, abs=2e-4)  # let go, it rings back
    assert result.traces.stop_ticks[0] > 100 and (result.traces.stop_ticks[1:] == 0).all()


def test_mirrors_and_boards_that_are_not_there_are_refused():
    with pytest.raises(ScenarioError, match='no board "A-9".*Known: A-1, B-1'):
        built('[{kind="board_power",board="A-9",at_ms=0}]')
    with pytest.raises(ScenarioError, match="array A has mirrors A00 to A00"):
        built('[{kind="mirror_stuck",mirrors=["A01"],at_ms=0}]')
    with pytest.raises(ScenarioError, match='named as "A03"'):
        built('[{kind="mirror_stuck",mirrors=["A"],at_ms=0}]')
    with pytest.raises(ScenarioError, match="A01 carries no light"):
        built('[{kind="mirror_stuck",mirrors=["A01"],at_ms=0}]',
              "switch.geometry.ports_per_side=4", "switch.geometry.columns=2",
              "switch.connections=[[0,0]]")  # fmt: skip
    with pytest.raises(ScenarioError, match="belongs to one of boards, and A00 is already"):
        built("[]", 'boards={one=["A00"],two=["A00"]}')
    with pytest.raises(ScenarioError, match="from a lower to a higher"):
        built("[]", 'boards={one=["A00-B00"]}')


@pytest.mark.parametrize("noticed", ["true", "false"])
def test_spots_are_found_again_after_the_board_is_back(noticed):
    # Where nobody notices, the search finds spots at the mirrors' rest and the integrators wind up
    # to the drive's limit; the search leads back from there as well.
    made, result = ran(
        f'[{{kind="board_power",board="A-1",at_ms=20,for_ms=30,noticed={noticed}}}]', *FOUR,
        "camera.search_after_frames=3", "camera.search_frames=5", "mirror.quality=[0.7,0.7]",
        "camera.scale_px_per_mrad=0.5", "estimator.threshold_dn=1400", ms=160,
    )  # fmt: skip
    on_a = made.parts.mirrors < 4
    status = result.traces.status[:, on_a]
    correction = np.abs(result.traces.correction_rad[:50, on_a]).max()
    assert (status[:20] == SpotStatus.OK).all() and (status[-60:] == SpotStatus.OK).all()
    if noticed == "true":
        assert (status[21:50] == SpotStatus.NO_FRAME).all() and correction < 1e-5
    else:
        assert result.traces.search_frames[on_a].all() and correction > 30e-3
    assert np.abs(result.traces.error_rad[-5:]).max() < 2e-5
