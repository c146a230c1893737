"""Events by a second route each: areas, limits, distributions and closed forms.

The tests beside this one integrate equations or write the loop's law out; none of that is used.
"""

import math

import numpy as np
import pytest
from scipy import stats

from sim.events.fan_failure import FanAir
from tests.events.rig import built, ran
from tests.events.test_mirror_events import FREE, TICK, tilts


def gains(event, frames, mirror=0, axis=1):
    """Return the factor on a mirror's gain in each tick of some frames."""
    found = [event.faults(k).gain for k in range(frames)]
    return np.concatenate([
        np.ones(20) if each is None else each[:, axis, mirror] * np.ones(20) for each in found
    ])  # fmt: skip


def test_a_sag_takes_the_area_that_it_would_take_at_once():
    # A first-order lag keeps the area under a pulse: sag x duration, whatever the time constant.
    # Ticks sum it by the rectangle rule: half a tick of the sag at either edge, which cancel.
    event = built(
        '[{kind="supply_sag",at_ms=5,for_ms=15,sag_pct=20,tau_ms=2}]', *FREE, ms=80
    ).parts.events[0]
    lost = (1 - gains(event, 80)) * TICK
    assert lost.sum() == pytest.approx(0.2 * 15e-3, rel=1e-6)
    assert gains(event, 80)[int(5.0e-3 / TICK) + 40] == pytest.approx(  # a time constant later
        1 - 0.2 * (1 - math.exp(-1)), abs=1e-9
    )


def test_a_gain_that_fades_has_half_of_its_loss_half_way():
    event = built(
        '[{kind="mirror_weak",mirrors=["A00"],at_ms=10,gain=0.6,over_ms=20}]', *FREE, ms=40
    ).parts.events[0]
    factor = gains(event, 40)
    assert factor[:200] == pytest.approx(1.0)
    assert factor[400] == pytest.approx(0.8, abs=1e-12)
    assert factor[600:] == pytest.approx(0.6, abs=1e-12)
    # Area of the ramp, a triangle, and of what follows: 0.4 (20/2 + 10) ms, to half a tick.
    assert (1 - factor).sum() * TICK == pytest.approx(0.4 * 20e-3, abs=0.4 * TICK)


def test_a_weak_mirror_without_a_loop_keeps_its_share_of_the_tilt():
    made, result = ran('[{kind="mirror_weak",mirrors=["A02"],at_ms=0,gain=0.7}]', *FREE, ms=40)
    share = tilts(made, result)[-1] / made.parts.epochs[0].aim_rad
    wanted = np.where(np.arange(8) == 2, 0.7, 1.0)
    assert share[:, 1] == pytest.approx(wanted, abs=2e-4)  # a stiffer spring is not in it


def test_a_slow_oscillation_is_followed_as_it_is_asked_for():
    # Far below the resonance (8 kHz) the mirror is where the drive sends it: the sine itself, late
    # by the mirror's 28 us and a tick; at 20 Hz that is 0.6 % of the amplitude.
    made, result = ran(
        '[{kind="mirror_oscillating",mirrors=["A00"],axis="y",at_ms=0,amplitude_urad=100,'
        "frequency_hz=20}]", *FREE, ms=100,
    )  # fmt: skip
    moved = result.traces.error_rad[:, 0, 1].astype(float)
    t = np.arange(1, len(moved) + 1) * TICK
    sine = 100e-6 * np.sin(2 * np.pi * 20 * t)
    moved = moved - np.mean(moved)  # less the drive's rounding
    assert np.abs(moved - sine).max() < 1.5e-6 + 11e-6 / 2  # a code of the DAC is 11 urad at most
    # Power by Parseval: one line holds it.
    power = np.abs(np.fft.rfft(moved)) ** 2
    assert power.argmax() == 2 and power[2] / power[1:].sum() > 0.99


def test_noise_of_an_amplifier_is_normal_and_white():
    event = built(
        '[{kind="mirror_noisy",mirrors=["A00"],axis="x",at_ms=0,rms_urad=50}]', *FREE, ms=400
    ).parts.events[0]
    drawn = np.concatenate([event.faults(k).asked_rad[:, :, 0] for k in range(400)])
    assert (drawn[:, 1] == 0).all()
    x = drawn[:, 0] / 50e-6
    assert stats.kstest(x, "norm").pvalue > 1e-3
    lag = np.array([(x[j:] * x[:-j]).mean() for j in range(1, 40)])
    assert np.abs(lag).max() < 4 / math.sqrt(len(x))


def test_a_drift_is_a_straight_line_and_stays_where_it_ends():
    # Without a loop the mirror is where its rest is: rate x time, then rate x duration.
    _, result = ran(
        '[{kind="mirror_drifting",mirrors=["A00"],at_ms=10,for_ms=50,rate_urad_per_s=4000,'
        'axis="x"}]', *FREE, ms=100,
    )  # fmt: skip
    moved = result.traces.error_rad[:, 0, 0].astype(float)
    moved = moved - moved[100]
    t = np.arange(1, len(moved) + 1) * TICK
    line = 4e-3 * np.clip(t - 10e-3, 0, 50e-3)
    quiet = (np.abs(t - 10e-3) > 1e-3) & (np.abs(t - 60e-3) > 1e-3)
    assert np.abs(moved - line)[quiet].max() < 4e-3 * 2 * TICK
    assert moved[-1] == pytest.approx(200e-6, abs=1e-7)


def test_a_shorted_mirror_without_damping_hits_when_the_cosine_does():
    # x = end + (start - end) cos(w t) up to the stop at -80 mrad (closed form; amplifier without
    # lag, quality 1e4).
    f0 = 700.0
    made, result = ran(
        '[{kind="mirror_shorted",mirrors=["A00"],axis="y",way="-",at_ms=5,for_ms=3}]', *FREE,
        f"mirror.resonance_hz=[{f0},{f0}]", "mirror.quality=[1e4,1e4]", "drive.amplifier_khz=9e5",
        ms=8,
    )  # fmt: skip
    tilt = tilts(made, result)[:, 0, 1]
    start, end = made.parts.epochs[0].aim_rad[0, 1], -1.2 * 80e-3
    hit_s = math.acos((-80e-3 - end) / (start - end)) / (2 * math.pi * f0)
    first = (int((tilt <= -79.999e-3).argmax()) + 1) * TICK
    assert first == pytest.approx(5e-3 + hit_s, abs=1.5 * TICK)


def test_flicker_over_whole_periods_takes_half_of_its_depth():
    # Mean of 1 - d (1 - cos)/2 over whole periods is 1 - d/2: 40 frames of 1 ms at 25 Hz multiples.
    event = built('[{kind="light_flickering",at_ms=0,depth=0.6,frequency_hz=175}]').parts.events[0]
    light = [event.faults(k).light for k in range(40)]
    assert np.mean(light) == pytest.approx(0.7, abs=1e-12)
    # A fast flicker is averaged within each exposure: 50 us at 20 kHz is one period.
    fast = built('[{kind="light_flickering",at_ms=0,depth=0.6,frequency_hz=2e4}]').parts.events[0]
    assert [fast.faults(k).light for k in range(5)] == pytest.approx([0.7] * 5, abs=1e-9)


@pytest.mark.parametrize(("shape", "frozen"), [
    ("uniform", stats.uniform(0, 400)), ("exponential", stats.expon(0, 400)),
])  # fmt: skip
def test_jitter_has_the_distribution_that_is_asked_for(shape, frozen):
    # Rounded up to ticks of 50 us: shares of whole ticks, chi-squared against the closed form.
    event = built(
        f'[{{kind="latency_jitter",at_ms=0,jitter_us=400,shape="{shape}",camera="A"}}]', ms=3000
    ).parts.events[0]
    ticks = np.array([event.faults(k).late_ticks[0] for k in range(3000)])
    edges = np.arange(0, 9) * 50.0
    if shape == "exponential":
        edges = np.append(edges, np.inf)
    share = np.diff(frozen.cdf(edges))
    found = np.bincount(np.minimum(ticks, len(share)), minlength=len(share) + 1)[1:]
    assert found.sum() == 3000
    assert stats.chisquare(found, 3000 * share).pvalue > 1e-3


def test_damaged_rows_are_spread_evenly_over_the_sensor():
    # `count` rows in a row, first one even over the places that it has (Kolmogorov's test on whole
    # rows of some hundred places), and each frame by itself (runs of the same place are rare).
    made = built('[{kind="rows_corrupted",at_ms=0,count=5,camera="A"}]', ms=1500)
    event = made.parts.events[0]
    first = np.array([event.faults(k).bad_rows[0].spans[0, 0] for k in range(1500)])
    last = np.array([event.faults(k).bad_rows[0].spans[0, 1] for k in range(1500)])
    assert (last - first == 4).all() and first.min() >= 0
    # A field of 96 px with a margin of 24 px on either side: the sensor's rows.
    rows = 96 + 2 * 24
    places = rows - 5 + 1
    assert last.max() == rows - 1
    spread = (first + 0.5) / places
    assert stats.kstest(spread, "uniform").pvalue > 1e-3


@pytest.mark.parametrize("air_s", [0.0, 0.4, 0.9])
def test_bodies_in_warmer_air_follow_the_closed_form_and_cool_again(air_s):
    # One lag: 1 - exp(-t/T). Two: 1 - (a e^(-t/a) - b e^(-t/b))/(a - b); equal ones:
    # 1 - (1 + t/T) e^(-t/T) (textbook). Lags keep areas: rise x duration in the end.
    air, body = FanAir(10.0, air_s, 0.5, 1.3), 0.9
    t = np.linspace(0.0, 40.0, 400_001)
    rise = air.lagged_k(t, body)
    inside = (t > 0.5) & (t < 1.3)
    since = t[inside] - 0.5
    if air_s == 0.0:
        wanted = 1 - np.exp(-since / body)
    elif air_s == body:
        wanted = 1 - (1 + since / body) * np.exp(-since / body)
    else:
        wanted = 1 - (body * np.exp(-since / body) - air_s * np.exp(-since / air_s)) / (
            body - air_s)  # fmt: skip
    np.testing.assert_allclose(rise[inside], 10 * wanted, atol=1e-9)
    assert np.trapezoid(rise, t) == pytest.approx(10 * 0.8, rel=1e-5)


def test_a_dimmer_light_has_less_of_it_in_the_pixels():
    # What stands above the window's corner goes as the light: 0.25. Shot noise of 1e4 electrons
    # in each picture is 1 %; read noise of all its pixels more.
    sets = ('camera.noise="fast"', "camera.background_e=0", "estimator.threshold_dn=440",
            'controller={kind="open_loop"}')  # fmt: skip
    bright, dim = (
        ran(events, *sets, ms=60)[1].images.frames_dn.astype(float)
        for events in ("[]", '[{kind="light_dimmed",at_ms=0,light=0.25}]')
    )
    flux = [(x - x[..., :3, :3].mean()).sum(axis=(2, 3)).mean() for x in (bright, dim)]
    assert flux[1] / flux[0] == pytest.approx(0.25, rel=0.1)
