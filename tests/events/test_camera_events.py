"""Frames that are dropped, late or damaged, and windows that follow late."""

import math

import numpy as np
import pytest
from scipy.linalg import solve_discrete_lyapunov

from sim.foundations.errors import ScenarioError
from sim.foundations.ports import SpotStatus
from sim.foundations.rng import Stream, uniforms
from tests.events.rig import built, innovations, ran

GAIN, RATE_URAD, EXPOSURE = 0.3, 200.0, ("camera.exposure_us=5", "camera.latency_us=495")
MANY = (
    "switch.geometry.ports_per_side=16", "switch.geometry.columns=4", 'camera.noise="fast"',
    "estimator.threshold_dn=1400",
    f'disturbances=[{{kind="random_walk",rate_urad_per_sqrt_s={RATE_URAD}}}]', *EXPOSURE,
)  # fmt: skip
EACH = ",".join(f'{side}{k:02d}=["{side}{k:02d}"]' for side in "AB" for k in range(16))
"""A camera for each mirror, so that each loses frames by itself."""
STEP = (
    'disturbances=[{kind="thermal",bench_tau_s=0,sensor_tau_s=0,tilt_urad_per_k=[300,0],'
    'ambient={shape="step",change_k=1,at_s=0}}]'
)
WALK = (1e-6 * RATE_URAD) ** 2 * 1e-3
"""Variance that the walk adds in a frame. [rad^2]"""
LAG = 1 / (2 * math.pi * 8000 * 0.7) / 1e-3
"""By which a mirror of 8 kHz and quality 0.7 follows, 1/(w Q), in frames."""


def variances(events: str, ms: float, late: int = 0) -> tuple[float, float]:
    """Variance of the error before each reading, and that of the readings' noise."""
    made, result = ran(
        events, *MANY, f"cameras={{{EACH}}}", f"controller.integral_per_frame={GAIN}", ms=ms
    )
    error = result.traces.error_rad.astype(float)
    aim = made.parts.epochs[0].aim_rad
    noise = result.traces.measured_rad[1 + late :].astype(float) - (error[: -1 - late] + aim)
    return float(error[100:].var(axis=0).mean()), float(np.nanvar(noise, axis=0).mean())


@pytest.mark.parametrize("share", [0.1, 0.4])
def test_residual_against_the_share_dropped_is_that_of_the_difference_equation(share):
    # e' = e - K g (e + n) + w with g = 0 in a share p of the frames: squared and averaged, in the
    # steady state P = K r / (2 - K) + q / ((1 - p) K (2 - K)) (derived here: E e'^2 = (1 - p)
    # [(1 - K)^2 P + K^2 r] + p P + q = P).
    # The walk runs straight through a frame and the mirror follows d = 28 us later: increments are
    # (1 - d) w + d w[-1], which takes 2 K (1 - p) d (1 - d) of the walk's part off (derived: the
    # share d of an increment has been answered once before it is whole).
    # Tolerance: 64 series of 2900 frames with a correlation of (2 - K)/K/(1 - p) frames: 3 sigma.
    frames = 2500
    found, noise = variances(
        f'[{{kind="frames_dropped",at_ms=0,share_pct={100 * share}}}]', frames
    )
    kept = 1.0 - share
    walk = WALK * (1 - 2 * GAIN * kept * LAG * (1 - LAG))
    wanted = GAIN * noise / (2 - GAIN) + walk / (kept * GAIN * (2 - GAIN))
    apart = (2 - GAIN) / GAIN / kept
    assert found == pytest.approx(wanted, rel=3 * math.sqrt(2 * apart / (64 * (frames - 100))))


def test_frames_late_by_one_are_a_loop_with_one_more_frame_of_delay():
    # d = 2: P = (q + K^2 r)(1 + K) / [K (2 - K - K^2)], from the moment equation of e' = e - K
    # (e[-1] + n[-1]) + w (derived; s = 1 in the form with drops). With the mirror's lag in the
    # walk, from the Lyapunov equation of (e, e[-1], n[-1], w[-1]) (scipy): the same without it.
    frames = 2500
    found, noise = variances('[{kind="frames_late",at_ms=0,late_frames=1}]', frames, late=1)

    def by_lyapunov(lag):
        step = np.array([[1, -GAIN, -GAIN, lag], [1, 0, 0, 0], [0] * 4, [0] * 4])
        draws = np.array([[0, 1 - lag], [0, 0], [1, 0], [0, 1]])
        return solve_discrete_lyapunov(step, draws @ np.diag([noise, WALK]) @ draws.T)[0, 0]

    plain = (WALK + GAIN**2 * noise) * (1 + GAIN) / (GAIN * (2 - GAIN - GAIN**2))
    assert by_lyapunov(0.0) == pytest.approx(plain, rel=1e-9)
    wanted = by_lyapunov(LAG)
    assert found == pytest.approx(wanted, rel=3 * math.sqrt(2 * 6 / (64 * (frames - 100))))


def test_a_dropped_frame_holds_the_correction_and_is_flagged():
    made, result = ran(
        '[{kind="frames_dropped",at_ms=20,frames=5}]', "mirror.alignment_urad=50",
        'camera.noise="fast"', "estimator.threshold_dn=1400",
    )  # fmt: skip
    apart, correction, status = innovations(made, result)
    assert (status[20:25] == SpotStatus.NO_FRAME).all()
    assert (np.delete(status, range(20, 25), axis=0) == SpotStatus.OK).all()
    step = np.diff(correction, axis=0, prepend=0.0)
    assert (step[20:25] == 0.0).all()
    # Else the integrator's own law, written out once more.
    kept = np.delete(np.arange(100), range(20, 25))
    assert step[kept] == pytest.approx(0.3 * apart[kept], abs=1e-10)
    assert np.abs(step[26:]).max() > 0


def test_late_frames_are_used_newest_first_and_never_twice():
    # Five frames late by three: nothing for three frames, then readings that are three old; when
    # frames are on time again, the newest counts and the three still on their way are thrown away.
    made, late = ran(
        '[{kind="frames_late",at_ms=20,frames=5,late_frames=3}]', 'camera.noise="fast"',
        "estimator.threshold_dn=1400", 'controller={kind="open_loop"}',
    )  # fmt: skip
    _, plain = ran("[]", 'camera.noise="fast"', "estimator.threshold_dn=1400",
                   'controller={kind="open_loop"}')  # fmt: skip
    got, own = late.traces.measured_rad, plain.traces.measured_rad
    status = late.traces.status
    assert (status[20:23] == SpotStatus.NO_FRAME).all()
    np.testing.assert_array_equal(got[23:25], own[20:22])
    np.testing.assert_array_equal(got[25:], own[25:])
    assert (status[23:] == SpotStatus.OK).all()


def test_bursts_have_the_share_and_the_mean_length_that_are_asked_for():
    # Two-state chain: mean burst B, share p. Lengths are geometric: their mean from n bursts has a
    # standard error of sqrt(B (B - 1) / n).
    event = built(
        '[{kind="frames_dropped",at_ms=0,share_pct=10,burst_frames=5,camera="A"}]', ms=60_000
    ).parts.events[0]
    struck = np.array([event.faults(k).dropped is not None for k in range(60_000)])
    edges = np.flatnonzero(np.diff(struck.astype(int), prepend=0) == 1)
    length = struck.sum() / len(edges)
    assert length == pytest.approx(5.0, abs=3.5 * math.sqrt(5 * 4 / len(edges)))
    # Share: variance of a chain's mean, p (1 - p) (1 + c) / (1 - c) / N with c = 1 - 1/B - g.
    c = 1 - 0.2 - 0.1 * 0.2 / 0.9
    sigma = math.sqrt(0.09 * (1 + c) / (1 - c) / 60_000)
    assert struck.mean() == pytest.approx(0.1, abs=3.5 * sigma)


def test_each_camera_is_struck_by_itself():
    event = built('[{kind="frames_dropped",at_ms=0,share_pct=50}]', ms=2000).parts.events[0]
    struck = np.array([event.faults(k).dropped for k in range(2000) if event.faults(k).dropped
                       is not None])  # fmt: skip
    assert set(map(tuple, struck.tolist())) == {(True, False), (False, True), (True, True)}


def test_a_correction_acts_at_the_tick_that_its_jitter_is_drawn_for():
    # The mirror follows within a tick or two; without noise, the error moves only where a
    # correction arrives: 10 ticks into the frame and the drawn time later, rounded up.
    made, result = ran(
        '[{kind="latency_jitter",at_ms=0,jitter_us=400,camera="A"}]', "traces.sample_hz=20000",
        "metrics.dwell_ms=1", STEP, ms=8,
    )  # fmt: skip
    error = result.traces.error_rad[:, 0, 0].astype(float)
    for frame in range(1, 5):
        drawn = uniforms((5, int(Stream.EVENTS)), frame, 0, 0)[0]
        arrives = 20 * frame + 10 + math.ceil(400e-6 * drawn / 50e-6)
        before = np.ptp(error[arrives - 3 : arrives])
        assert abs(error[arrives] - error[arrives - 1]) > 20 * max(before, 1e-9)
    assert made.parts.events[0].lateness.ticks == 8


def test_damaged_rows_strike_the_windows_that_have_them():
    # Margin of a window (24), half a field (48), and the window's own rows about the spot: the
    # mirror A00 of a row of four has its field in rows 24 to 119, its middle in row 72.
    sets = ("switch.geometry.ports_per_side=4", "switch.geometry.columns=2")
    made, result = ran(
        '[{kind="rows_corrupted",at_ms=10,frames=3,rows=[0,150],camera="A"}]', *sets
    )
    status = np.asarray(result.traces.status)
    upper = made.parts.mirrors < 2
    bad = (status[10:13] == SpotStatus.BAD_ROWS).all(axis=0)
    np.testing.assert_array_equal(bad, upper)
    assert (np.delete(status, range(10, 13), axis=0) == SpotStatus.OK).all()
    correction = result.traces.correction_rad[10:13, upper]
    assert (np.diff(correction, axis=0) == 0).all()


@pytest.mark.parametrize("noticed", ["true", "false"])
def test_a_window_that_follows_late_shifts_readings_only_where_nobody_notices(noticed):
    move = ("switch.geometry.ports_per_side=2", "switch.geometry.columns=2",
            'switch.connections="identity"', 'switch.moves=[{at_ms=40,connections="reversed"}]',
            'shaping={kind="minimum_jerk",duration_ms=30}', 'controller={kind="open_loop"}',
            "camera.window_px=[40,40]")  # fmt: skip
    late = f'[{{kind="windows_late",at_ms=0,late_frames=2,noticed={noticed}}}]'
    made, result = ran(late, *move)
    _, plain = ran("[]", *move)
    got = result.traces.measured_rad.astype(float)
    own = plain.traces.measured_rad.astype(float)
    seen = np.isfinite(got).all(axis=-1) & np.isfinite(own).all(axis=-1)
    apart_px = 1e3 * 2.0 * (got - own)
    assert seen[45:65].any()
    if noticed == "true":
        assert np.abs(apart_px[seen]).max() < 0.05  # what the window cuts off of the spot
    else:
        # off by whole pixels: what the window moved by in two frames
        moving = apart_px[45:65][seen[45:65]]
        assert np.abs(moving).max() >= 1
        assert np.abs(moving - np.round(moving)).max() < 0.05
        # A reading is off by what its window moved in two frames, so those of every second frame
        # add up to the whole way of the window: that of the spot, rounded to whole pixels at both
        # ends, in its direction.
        every = slice(40, 78, 2)
        whole = seen[every].all(axis=0) & seen[38] & seen[78]
        way_px = 2e3 * (own[78] - own[38])[whole]
        assert np.abs(way_px).max() > 10
        assert np.abs(apart_px[every].sum(axis=0)[whole] - way_px).max() < 1.1
    assert (apart_px[:38][seen[:38]] == 0).all()


def test_what_cannot_be_is_refused():
    with pytest.raises(ScenarioError, match='no camera "C".*Known: A, B'):
        built('[{kind="frames_dropped",at_ms=0,camera="C"}]')
    with pytest.raises(ScenarioError, match="begin within the run of 100 ms"):
        built('[{kind="frames_dropped",at_ms=100}]')
    with pytest.raises(ScenarioError, match="takes the place of for_ms"):
        built('[{kind="frames_dropped",at_ms=0,frames=3,for_ms=3}]')
    with pytest.raises(ScenarioError, match="cannot make up 90 %"):
        built('[{kind="frames_dropped",at_ms=0,share_pct=90,burst_frames=2}]')
    with pytest.raises(ScenarioError, match="the sensor has"):
        built('[{kind="rows_corrupted",at_ms=0,rows=[0,5000]}]')
    with pytest.raises(ScenarioError, match="must go from the first to the last row"):
        built('[{kind="rows_corrupted",at_ms=0,rows=[9,3]}]')
    with pytest.raises(ScenarioError, match='unknown event "frames_drop"'):
        built('[{kind="frames_drop",at_ms=0}]')
