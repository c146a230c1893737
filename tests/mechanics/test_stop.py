"""The core against its stops: closed forms of the first touch, and an event-driven integration."""

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from sim.foundations.errors import ScenarioError
from sim.mechanics.isolator import Isolator, IsolatorParams

TICK_S = 5e-5


def mounts(**changes):
    given = {
        "resonance_hz": (8.0,) * 3, "quality": (1e5,) * 3, "clearance_mm": (1.0,) * 3,
        "stop_hz": (8.0 * 24**0.5,) * 3, "stop_doubles_mm": (1e6,) * 3,
        "stop_damping_s_per_m": 0.0,
    }  # fmt: skip
    return IsolatorParams(**(given | changes))


def played(params, chassis, cuts=()):
    isolator = Isolator(params, TICK_S)
    state, core, sway = isolator.initial_state(), [], []
    edges = [0, *cuts, len(chassis) - 1]
    for low, high in zip(edges[:-1], edges[1:], strict=True):
        state, a, x = isolator.advance(state, chassis[low : high + 1])
        core.append(a if low == 0 else a[1:])
        sway.append(x if low == 0 else x[1:])
    return np.concatenate(core), np.concatenate(sway)


def by_events(params, base, end_s):
    """Integrate one axis, stopping at each touch and each release; base(t) in m/s^2."""
    turn, q = 2 * np.pi * params.resonance_hz[0], params.quality[0]
    gap, k = 1e-3 * params.clearance_mm[0], (2 * np.pi * params.stop_hz[0]) ** 2
    d, c = 1e-3 * params.stop_doubles_mm[0], params.stop_damping_s_per_m

    def push(x, v):
        depth = abs(x) - gap
        if depth <= 0:
            return 0.0
        side = np.sign(x)
        return -side * k * depth * (1 + (depth / d) ** 2) * max(0.0, 1 + c * side * v)

    def free(t, y):
        return [y[1], -base(t) - turn**2 * y[0] - turn / q * y[1]]

    def held(t, y):
        return [y[1], -base(t) - turn**2 * y[0] - turn / q * y[1] + push(*y)]

    def edge(t, y):
        return abs(y[0]) - gap

    edge.terminal = True
    t, y, times, states, touching, touches = 0.0, [0.0, 0.0], [], [], False, []
    while t < end_s - 1e-12:
        edge.direction = -1 if touching else 1
        part = solve_ivp(held if touching else free, (t, end_s), y, events=edge, rtol=1e-10,
                         atol=1e-13, max_step=1e-3)  # fmt: skip
        times.append(part.t)
        states.append(part.y)
        t, y = part.t[-1], part.y[:, -1]
        if part.status == 1:
            touching = not touching
            touches.append((t, abs(y[1]), touching))
    times, states = np.concatenate(times), np.concatenate(states, axis=1)
    felt = [-(turn**2) * x - turn / q * v + push(x, v) for x, v in states.T]
    return times, states[0], np.array(felt), touches


def step(size, count):
    return np.full((count, 3), float(size))


def test_a_step_touches_when_and_as_fast_as_it_must():
    # Base step a0 from rest, no damping: cos wt = 1 - g w^2/a0 (closed form): 5 m/s^2, 1 mm, 8 Hz:
    # 20.955415 ms, at 0.0864487 m/s; no touch below g w^2/2 = 1.263309 m/s^2.
    _, sway = played(mounts(), step(5.0, 1001))
    over = np.argmax(np.abs(sway[:, 0]) > 1e-3)
    # The step is a ramp of the section's first tick: at rest until the first sample, then 5 m/s^2.
    assert over * TICK_S == pytest.approx(20.955415e-3, abs=2 * TICK_S)
    speed = np.diff(sway[:, 0])[over - 2] / TICK_S
    assert abs(speed) == pytest.approx(0.0864487, rel=5e-3)
    _, below = played(mounts(), step(1.2632, 4001))
    assert np.abs(below).max() < 1e-3
    _, above = played(mounts(), step(1.2640, 4001))
    assert np.abs(above).max() > 1e-3


def test_energy_comes_back_whole_without_damping():
    # Every touch goes as deep as the first: the stops are lossless.
    _, sway = played(mounts(), step(5.0, 40_001))
    x = np.abs(sway[:, 0])
    peaks = x[1:-1][(x[1:-1] > x[:-2]) & (x[1:-1] >= x[2:]) & (x[1:-1] > 1e-3)]
    assert len(peaks) > 10
    np.testing.assert_allclose(peaks, peaks[0], rtol=2e-3)


@pytest.mark.parametrize(
    "changes",
    [
        {},
        {"quality": (5.0,) * 3, "stop_doubles_mm": (0.3,) * 3},
        {"quality": (3.0,) * 3, "stop_doubles_mm": (0.5,) * 3, "stop_damping_s_per_m": 3.0,
         "stop_hz": (120.0,) * 3},
    ],
)  # fmt: skip
def test_impacts_agree_with_an_event_driven_integration(changes):
    params = mounts(**changes)
    count = 6001
    time_s = TICK_S * np.arange(count)

    def base(t):
        return 9.0 * np.sin(2 * np.pi * 6.0 * np.asarray(t)) * np.minimum(1.0, np.asarray(t) / 0.05)

    chassis = np.repeat(base(time_s)[:, None], 3, axis=1)
    core, sway = played(params, chassis)
    times, x, felt, touches = by_events(params, base, time_s[-1])
    assert sum(down for *_, down in touches) >= 3
    scale = np.abs(x).max()
    assert np.abs(sway[:, 0] - np.interp(time_s, times, x)).max() < 2e-3 * scale
    assert np.abs(core).max() == pytest.approx(np.abs(felt).max(), rel=5e-3)
    assert np.abs(core[:, 0] - np.interp(time_s, times, felt)).max() < 0.02 * np.abs(felt).max()


def test_a_lossy_stop_gives_back_what_hunt_and_crossley_say():
    # Restitution 1 - 2/3 c v for light damping (Hunt & Crossley 1975, first order); the mount is
    # soft against the stop. Speed before the touch 0.05 m/s, c = 2: 0.933; second order: + (c v)^2.
    params = mounts(resonance_hz=(1.0,) * 3, stop_hz=(150.0,) * 3, stop_damping_s_per_m=2.0,
                    quality=(1e4,) * 3, clearance_mm=(0.5,) * 3)  # fmt: skip
    chassis = np.zeros((4001, 3))
    chassis[:1001] = 2.5  # until the core has sped up
    _, sway = played(params, chassis)
    speed = np.diff(sway[:, 0]) / TICK_S
    inside = np.abs(sway[:, 0]) > 0.5e-3
    first = np.argmax(inside)
    last = first + np.argmin(inside[first:])
    before, after = abs(speed[first - 2]), abs(speed[last + 1])
    want = 1 - 2 / 3 * 2.0 * before
    assert after / before == pytest.approx(want, abs=2 * (2.0 * before) ** 2 + 0.02)
    assert after < 0.97 * before


def test_blocks_change_no_bit_though_it_strikes():
    rng = np.random.default_rng(2)
    chassis = np.cumsum(rng.normal(size=(3001, 3)), axis=0) * 0.3
    params = mounts(quality=(4.0, 3.0, 5.0), stop_doubles_mm=(0.5,) * 3, stop_damping_s_per_m=1.0)
    whole = played(params, chassis)
    assert np.abs(whole[1]).max() > 1e-3
    for got, want in zip(played(params, chassis, (7, 400, 401, 1999)), whole, strict=True):
        np.testing.assert_array_equal(got, want)


def test_without_a_touch_the_stops_change_no_bit():
    chassis = step(0.5, 2001)
    near, far = played(mounts(), chassis), played(mounts(clearance_mm=(1e3,) * 3), chassis)
    for got, want in zip(near, far, strict=True):
        np.testing.assert_array_equal(got, want)


def test_a_stop_too_stiff_for_the_ticks_is_refused():
    with pytest.raises(ScenarioError, match="at most 1000 Hz"):
        Isolator(mounts(stop_hz=(1500.0, 60.0, 60.0)), TICK_S)
