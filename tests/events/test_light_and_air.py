"""Monitor light that dims or flickers, and a fan that fails."""

import math

import numpy as np
import pytest
from scipy.integrate import quad, solve_ivp

from sim.foundations.errors import ScenarioError
from sim.foundations.ports import SpotStatus
from sim.loop.history import environment_of
from tests.events.rig import built, ran

NOISY = ('camera.noise="fast"', "estimator.threshold_dn=1400")


def test_flicker_has_its_mean_over_the_exposure():
    made = built('[{kind="light_flickering",at_ms=3.02,for_ms=40.06,depth=0.6,frequency_hz=730}]')
    event = made.parts.events[0]

    def light(t):
        inside = 3.02e-3 <= t < 43.08e-3
        phase = 2 * math.pi * 730 * (t - 3.02e-3)
        return 1 - 0.6 * (1 - math.cos(phase)) / 2 if inside else 1.0

    for frame in (2, 3, 17, 42, 43, 44):
        start, end = 1e-3 * frame, 1e-3 * frame + 50e-6
        edges = [t for t in (3.02e-3, 43.08e-3) if start < t < end]
        wanted = quad(light, start, end, points=edges or None)[0] / 50e-6
        found = event.faults(frame).light
        assert (1.0 if found is None else found) == pytest.approx(wanted, abs=1e-9)


def test_dimmer_light_reaches_the_pixels_and_the_scatter_of_readings():
    # Where shot noise rules, the variance of a centroid goes as one over the light: halved light,
    # twice the variance (Poisson; threshold and read noise add less than a tenth here).
    sets = (*NOISY, "camera.read_noise_e=1", "camera.background_e=0", "estimator.threshold_dn=440",
            "switch.geometry.ports_per_side=36", "switch.geometry.columns=6",
            'controller={kind="open_loop"}')  # fmt: skip
    _, bright = ran("[]", *sets, ms=60)
    _, dim = ran('[{kind="light_dimmed",at_ms=0,light=0.5}]', *sets, ms=60)
    one, other = (r.traces.measured_rad.astype(float).var(axis=0).mean() for r in (bright, dim))
    # 60 frames of 144 series: each variance to 1.5 %.
    assert other / one == pytest.approx(2.0, rel=0.1)


def test_light_that_is_gone_leaves_dim_spots_and_the_old_correction():
    _, result = ran('[{kind="light_dimmed",at_ms=30,for_ms=20,light=0}]', *NOISY)
    status = result.traces.status
    assert (status[30:50] == SpotStatus.DIM).all()
    assert (np.delete(status, range(30, 50), axis=0) == SpotStatus.OK).all()
    assert (np.diff(result.traces.correction_rad[29:50], axis=0) == 0).all()
    with pytest.raises(ScenarioError, match='light: with camera.noise = "equivalent"'):
        built('[{kind="light_dimmed",at_ms=0,light=0.5}]', "estimator.threshold_dn=1400",
              'camera.noise="equivalent"')  # fmt: skip


THERMAL = (
    'disturbances=[{kind="thermal",bench_tau_s=0.9,sensor_tau_s=0.3,tilt_urad_per_k=[40,25],'
    'sensor_urad_per_k=[8,5],ambient={shape="ramp",rate_k_per_min=30,from_s=0,to_s=2}}]'
)


@pytest.mark.parametrize("air_tau_s", [0.0, 0.4, 0.9])
def test_a_fan_warms_the_scenarios_own_bodies(air_tau_s):
    made = built(
        f'[{{kind="fan_failure",at_ms=500,for_ms=800,rise_k=10,air_tau_s={air_tau_s}}}]', THERMAL,
        "traces.sample_hz=100", "metrics.dwell_ms=20", ms=3000,
    )  # fmt: skip
    blocks = list(environment_of(made.parts))
    bench_k = np.concatenate([b.temperature[:-1] for b in blocks])
    shift = np.concatenate([b.sensor[:-1] for b in blocks])[::20]
    time_s = np.arange(len(bench_k)) * 1e-3

    def heat(t, x):  # air, bench, camera: three first-order bodies in a row
        air, bench, mount = x
        wanted = 10.0 if 0.5 <= t < 1.3 else 0.0
        there = air if air_tau_s else wanted
        ramp = 0.5 * min(t, 2.0)
        rise = (wanted - air) / air_tau_s if air_tau_s else 0.0
        return [rise, (there + ramp - bench) / 0.9, (there + ramp - mount) / 0.3]

    found = solve_ivp(heat, (0, time_s[-1]), [0, 0, 0], t_eval=time_s, rtol=1e-9, atol=1e-11,
                      max_step=1e-3)  # fmt: skip
    # The integration meets the fan's two steps within one step of its own, 1 ms of 0.3 s.
    np.testing.assert_allclose(bench_k, found.y[1], atol=1e-3 if air_tau_s else 0.02)
    np.testing.assert_allclose(shift[:, 0], 8e-6 * found.y[2], atol=1e-8 if air_tau_s else 3e-7)


def test_a_fan_needs_something_that_warms():
    with pytest.raises(ScenarioError, match="needs a thermal disturbance"):
        built('[{kind="fan_failure",at_ms=0,rise_k=5}]')
    steep = THERMAL.replace("tilt_urad_per_k=[40,25]", "gain_ppm_per_k=9e4")
    with pytest.raises(ScenarioError, match="events.0: gain_ppm_per_k: .* this one reaches 45 %"):
        built('[{kind="fan_failure",at_ms=0,rise_k=5}]', steep.replace("=30,", "=1e-9,").replace(
            "bench_tau_s=0.9", "bench_tau_s=0"), ms=3000)  # fmt: skip
