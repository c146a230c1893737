"""The mirror's motion against closed forms and independent integrators; the population."""

import control
import numpy as np
import pytest
from pydantic import ValidationError
from scipy.integrate import solve_ivp
from scipy.special import ellipk

from sim.mirror.population import MirrorParams, draw_population
from tests.rig import MIRROR, Rig, held, on_codes

# A drive that is out of the way: 10 MHz amplifier (16 ns), 24 bits (10 nrad a code), 5 us ticks.
NEAR_IDEAL = {"update_khz": 200.0, "amplifier_khz": 1e4}


def step_response(zeta: float, n_ticks: int) -> tuple[np.ndarray, float]:
    rig = Rig(quality=(0.5 / zeta, 0.5 / zeta), **NEAR_IDEAL)
    tilt = rig.run(held(0.01, 0.0, n_ticks))[:, 0, 0] / 0.01
    return tilt, rig.tick_s * 2 * np.pi * 700.0


@pytest.mark.parametrize(
    ("zeta", "overshoot", "peak", "settling"),
    [
        (0.05, 0.854468, 3.14553, 76.0094),
        (0.10, 0.729248, 3.15742, 38.3833),
        (0.20, 0.526621, 3.20637, 19.6019),
        (0.50, 0.163034, 3.62760, 8.0764),
        (0.7071, 0.043214, 4.44288, 5.9626),
    ],
)
def test_step_response_has_the_textbook_shape(
    zeta: float, overshoot: float, peak: float, settling: float
) -> None:
    """Overshoot and peak time: Ogata, Modern Control Engineering; settling solved exactly.

    The step of 0.022 in phase misses the peak by at most 0.011: 6e-5 of the swing. The amplifier
    delays by 7e-5 in phase. Settling is exact to one tick, plus rounding of the printed value.
    """
    tilt, phase = step_response(zeta, int(1.05 * settling / (2 * np.pi * 700 * 5e-6)))
    assert tilt.max() - 1 == pytest.approx(overshoot, abs=1e-4)
    assert tilt.argmax() * phase == pytest.approx(peak, abs=phase)
    last_out = np.flatnonzero(np.abs(tilt - 1) > 0.02)[-1]
    assert last_out * phase < settling + 1e-3
    assert (last_out + 1) * phase > settling - 1e-3


@pytest.mark.parametrize(("zeta", "gain"), [(0.05, 10.0125), (0.1, 5.02519), (0.2, 2.55155)])
def test_resonance_has_the_textbook_height(zeta: float, gain: float) -> None:
    """Mr = 1 / (2 zeta sqrt(1 - zeta^2)) at w sqrt(1 - 2 zeta^2) (Ogata).

    Held over 5 us ticks the sine loses (w T)^2 / 24 = 2e-5; the rest is the transient, e^-14.
    """
    rig = Rig(quality=(0.5 / zeta, 0.5 / zeta), **NEAR_IDEAL)
    w = 2 * np.pi * 700.0 * np.sqrt(1 - 2 * zeta**2)
    n = int(15 / (zeta * w * rig.tick_s))
    t = rig.tick_s * np.arange(n)
    path = np.stack([1e-3 * np.sin(w * t), np.zeros(n)], axis=-1)
    tilt = rig.run(path)[1:, 0, 0]
    late = slice(n - round(4 * np.pi / w / rig.tick_s), n)
    fit = np.stack([np.sin(w * t[late]), np.cos(w * t[late])], axis=-1)
    amplitude = np.linalg.norm(np.linalg.lstsq(fit, tilt[late], rcond=None)[0]) / 1e-3
    assert amplitude == pytest.approx(gain, rel=1e-4)


def test_linear_motion_agrees_with_control_library() -> None:
    """Mirror and amplifier, 20 kHz steps: python-control's zero-order-hold model of the same.

    Both are exact at the ticks, and the path lies on the DAC's codes: only rounding is left.
    """
    rng = np.random.default_rng(1)
    path = on_codes(rng.normal(0.0, 5e-3, (400, 2)))
    rig = Rig()
    tilt = rig.run(path)
    for axis, hz in enumerate((700.0, 760.0)):
        w = 2 * np.pi * hz
        mirror = control.tf([w**2], [1, w / 8, w**2])
        plant = mirror * control.tf([1], [rig.drive.lag_s, 1])
        discrete = control.ss(plant).sample(rig.tick_s, method="zoh")
        time_s = rig.tick_s * np.arange(401)
        command = np.append(path[:, axis], 0.0)
        expected = control.forced_response(discrete, time_s, command).outputs
        assert tilt[:, axis, 0] == pytest.approx(expected, abs=1e-14)


def reference_motion(
    path: np.ndarray, rig: Rig, cubic: float, acceleration: np.ndarray | None = None
) -> np.ndarray:
    """Tilt (N + 1, 2) by a Runge-Kutta of order 8, tick by tick: the equations written again."""
    hz, quality, imbalance = np.array([700.0, 760.0]), 8.0, rig.population.imbalance[0]
    w = 2 * np.pi * hz
    state = np.zeros(6)
    result = [state[:2]]
    tick = rig.tick_s
    for n, command in enumerate(path):
        a0, a1 = (acceleration[n], acceleration[n + 1]) if acceleration is not None else (
            np.zeros(3), np.zeros(3))  # fmt: skip

        def slope(t: float, s: np.ndarray, command=command, a0=a0, a1=a1) -> np.ndarray:
            tilt, rate, u = s[:2], s[2:4], s[4:]
            a = a0 + (a1 - a0) * t / tick
            force = w**2 * (u - tilt - cubic * tilt**3) - w / quality * rate + imbalance @ a
            return np.concatenate([rate, force, (command - u) / rig.drive.lag_s])

        state = solve_ivp(slope, (0, tick), state, "DOP853", rtol=1e-10, atol=1e-14).y[:, -1]
        result.append(state[:2])
    return np.array(result)


def forced_problem(n: int) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(3)
    path = np.repeat(rng.uniform(-0.05, 0.05, (n // 10, 2)), 10, axis=0)
    return on_codes(path), rng.normal(0.0, 20.0, (n + 1, 3))


def test_linear_forced_motion_agrees_with_an_integrator_and_has_no_step_error() -> None:
    """DOP853 at rtol 1e-10 (Hairer, Norsett and Wanner); its own error adds up over 80 ticks."""
    path, acceleration = forced_problem(80)
    imbalance = ((20.0, 1.0, -3.0), (2.0, 15.0, 4.0))
    more = {"imbalance_rad_s2_per_m_s2": imbalance, "travel_mrad": (500.0, 500.0)}
    one = Rig(**more)
    tilt = one.run(path, acceleration)
    expected = reference_motion(path, one, 0.0, acceleration)
    assert np.abs(expected).max() > 0.02
    assert tilt[..., 0] == pytest.approx(expected, abs=2e-11)
    for substeps in (2, 8):
        finer = Rig(substeps=substeps, **more)
        assert finer.run(path, acceleration) == pytest.approx(tilt, abs=1e-14)


def test_stiffening_mirror_converges_with_the_square_of_the_step() -> None:
    """Strang splitting is of second order (G. Strang, SIAM J. Numer. Anal. 5 (1968) 506)."""
    path, acceleration = forced_problem(80)
    more = {"cubic_per_rad2": (100.0, 100.0), "travel_mrad": (500.0, 500.0),
            "imbalance_rad_s2_per_m_s2": ((20.0, 0.0, 0.0), (0.0, 20.0, 0.0))}  # fmt: skip
    expected = reference_motion(path, Rig(**more), 100.0, acceleration)
    substeps = np.array([1, 2, 4, 8])
    errors = np.array([
        np.abs(Rig(substeps=int(s), **more).run(path, acceleration)[..., 0] - expected).max()
        for s in substeps
    ])  # fmt: skip
    order = -np.diff(np.log2(errors))
    assert order == pytest.approx(2.0, abs=0.1)
    assert errors[0] < 0.01 * np.abs(expected).max()
    # Richardson: two answers of second order make one of fourth, so it lies far closer.
    a, b = (Rig(substeps=s, **more).run(path, acceleration)[..., 0] for s in (4, 8))
    assert np.abs(b + (b - a) / 3 - expected).max() < 0.05 * errors[3]


@pytest.mark.parametrize(
    ("epsilon", "ratio"),
    [(0.05, 1.01854971), (0.1, 1.03671691), (0.5, 1.17078147), (1.0, 1.31777606)],
)
def test_free_mirror_rings_faster_at_large_tilt(epsilon: float, ratio: float) -> None:
    """Duffing's oscillator, exact period by the elliptic integral.

    Nayfeh and Mook, Nonlinear Oscillations, 1979 (value from memory, not checked against the
    document; recomputed here). The step error in frequency goes as (w h)^2 / 24 or less: 2e-5.
    """
    m = epsilon / (2 * (1 + epsilon))
    assert np.pi * np.sqrt(1 + epsilon) / (2 * ellipk(m)) == pytest.approx(ratio, abs=1e-8)
    amplitude = 0.05
    rig = Rig(quality=(1e9, 1e9), cubic_per_rad2=(epsilon / amplitude**2, 0.0), **NEAR_IDEAL)
    rig.moving.tilt[0] = amplitude
    tilt = rig.run(held(0.0, 0.0, 12000))[:, 0, 0]
    up = np.flatnonzero((tilt[:-1] < 0) & (tilt[1:] >= 0))
    crossing = up + tilt[up] / (tilt[up] - tilt[up + 1])
    period = np.diff(crossing).mean() * rig.tick_s
    assert 1 / period / 700.0 == pytest.approx(ratio, rel=3e-5)


@pytest.mark.parametrize("update_khz", [20.0, 40.0])
def test_undamped_mirror_keeps_its_energy(update_khz: float) -> None:
    """Splitting is symplectic: energy swings by the order of the squared step, without drift."""
    rig = Rig(quality=(1e12, 1e12), cubic_per_rad2=(100.0, 100.0), update_khz=update_khz)
    rig.moving.tilt[:] = 0.05
    w2 = np.array([700.0, 760.0]) ** 2 * (2 * np.pi) ** 2

    def energy() -> np.ndarray:
        tilt, rate = rig.moving.tilt[:, 0], rig.moving.rate[:, 0]
        return 0.5 * rate**2 + w2 * (0.5 * tilt**2 + 25.0 * tilt**4)

    start = energy()
    swing = np.array([energy() / start - 1 for _ in range(2000) if rig.run(held(0, 0, 1)).size])
    step = 2 * np.pi * 760.0 / (1e3 * update_khz)
    assert np.abs(swing).max() < 0.2 * step**2
    # No drift: the average over the first and the last quarter is the same.
    assert np.abs(swing[:500].mean(0) - swing[-500:].mean(0)).max() < 0.02 * step**2


def test_damped_energy_decays_at_the_rate_of_the_damping() -> None:
    """Twice 2 zeta w / 2: energy goes as exp(-w t / Q), taken over whole half-periods."""
    rig = Rig(quality=(50.0, 50.0))
    rig.moving.tilt[:] = 0.05
    zeta, w = 0.01, 2 * np.pi * np.array([700.0, 760.0])
    wd = w * np.sqrt(1 - zeta**2)
    tilt = rig.run(held(0.0, 0.0, 400))[..., 0]
    t = rig.tick_s * np.arange(401)[:, None]
    free = 0.05 * np.exp(-zeta * w * t) * (np.cos(wd * t) + zeta * w / wd * np.sin(wd * t))
    assert tilt == pytest.approx(free, abs=1e-13)
    energy = 0.5 * rig.moving.rate[:, 0] ** 2 + 0.5 * w**2 * rig.moving.tilt[:, 0] ** 2
    # The loss is not uniform within a period: by zeta at most, either way.
    expected = 0.5 * w**2 * 0.05**2 * np.exp(-2 * zeta * w * t[-1])
    assert energy == pytest.approx(expected, rel=2 * zeta)


def test_rest_angle_and_acceleration_shift_the_mirror_by_their_static_amount() -> None:
    """Static tilt is rest + imbalance a / w^2; after 25 time constants of the ringing."""
    rig = Rig(imbalance_rad_s2_per_m_s2=((20.0, 0.0, 0.0), (0.0, 20.0, 5.0)))
    n = int(25 * 2 * 8 / (2 * np.pi * 700.0) / rig.tick_s)
    rest = np.array([[1e-4], [-2e-4]])
    tilt = rig.run(held(0.0, 0.0, n), np.tile([10.0, 5.0, 2.0], (n + 1, 1)), rest)[-1, :, 0]
    w2 = (2 * np.pi * np.array([700.0, 760.0])) ** 2
    assert tilt == pytest.approx(rest[:, 0] + np.array([200.0, 110.0]) / w2, abs=1e-13)


def test_stop_holds_and_counts() -> None:
    """80 mrad asked for against a stop at 75 mrad: held there, no bounce, every tick counted."""
    rig = Rig(mirrors=(0, 1))
    path = np.zeros((600, 2, 2))
    path[:, 1, 1] = 0.08
    tilt = rig.run(path)
    assert np.abs(tilt).max() == 0.075
    assert (tilt[-400:, 1, 1] == 0.075).all()
    assert rig.moving.stops.tolist() == [0, int((tilt[1:, 1, 1] == 0.075).sum())]
    assert (rig.moving.rate[1, 1], rig.moving.tilt[1, 0]) == (0.0, 0.0)
    # It comes off when the drive lets go.
    assert np.abs(rig.run(np.zeros((20, 2, 2)))[-1, 1, 1]) < 0.075


def params(**changes: object) -> MirrorParams:
    return MirrorParams(**(MIRROR | changes))  # type: ignore[arg-type]


def test_population_has_mean_and_spread_asked_for() -> None:
    """40000 draws per quantity; a normal cut at 3 sigma keeps 0.9973 of the draws untouched.

    Clipping lowers the standard deviation by 0.25 %; the interval is 4 sigma of the estimate.
    """
    n, imbalance = 20000, np.array([[20.0, 1.0, -3.0], [2.0, 15.0, 4.0]])
    drawn = draw_population(
        params(resonance_spread_pct=5.0, quality_spread_pct=4.0, gain_spread_pct=3.0,
               imbalance_rad_s2_per_m_s2=imbalance.tolist(),
               imbalance_spread_rad_s2_per_m_s2=2.0, alignment_urad=5.0),
        np.arange(n), 11, 0.5,
    )  # fmt: skip
    cases = {
        "resonance": (drawn.resonance_rad_s / (2 * np.pi * np.array([700.0, 760.0])) - 1, 0.05),
        "quality": (drawn.quality / 8.0 - 1, 0.04),
        "gain": (drawn.gain_ratio - 1, 0.03),
        "calibration": (drawn.calibration_ratio - 1, 0.005),
        "imbalance": (drawn.imbalance - imbalance, 2.0),
        "alignment": (drawn.alignment_rad, 5e-6),
    }
    z = np.linspace(-3, 3, 60001)
    density = np.exp(-(z**2) / 2) / np.sqrt(2 * np.pi)
    clipped = np.sqrt(np.sum(z**2 * density) * (z[1] - z[0]) + 9 * 0.0026998)
    for name, (values, sigma) in cases.items():
        count = values.size
        assert abs(values.mean()) < 4 * sigma / np.sqrt(count), name
        assert values.std() == pytest.approx(clipped * sigma, rel=4 / np.sqrt(2 * count)), name
        assert np.abs(values).max() == pytest.approx(3 * sigma, rel=1e-6), name
    table = np.corrcoef(np.concatenate([v.reshape(n, -1) for v, _ in cases.values()], axis=1).T)
    # 120 pairs: 4.5 sigma of an empty correlation.
    assert np.abs(table - np.eye(len(table))).max() < 4.5 / np.sqrt(n)


def test_mirror_is_the_same_in_whatever_company() -> None:
    spread = params(resonance_spread_pct=5.0, quality_spread_pct=5.0, gain_spread_pct=3.0,
                    imbalance_spread_rad_s2_per_m_s2=2.0, alignment_urad=5.0)  # fmt: skip
    everyone = draw_population(spread, np.arange(192), 4, 0.5)
    some = draw_population(spread, np.array([191, 3, 77]), 4, 0.5)
    other = draw_population(spread, np.arange(192), 5, 0.5)
    for name, all_, few, another in zip(everyone._fields, everyone, some, other, strict=True):
        assert np.array_equal(all_[[191, 3, 77]], few, equal_nan=True)
        if name not in ("cross_axis", "delay_s"):  # those are common or measured, never drawn
            assert not np.array_equal(all_, another)


def test_checked_settings_come_back_and_a_spring_that_gives_way_is_refused() -> None:
    # Slope of the spring at the stops by hand: 1 + 3 k3 t^2 = 0 at k3 = -1 / (3 x 0.08^2).
    given = MIRROR | {"travel_mrad": (80.0, 80.0), "cubic_per_rad2": (0.0, -52.0)}
    assert MirrorParams.model_validate(given).cubic_per_rad2 == (0.0, -52.0)
    for cubic in ((-52.2, 0.0), (0.0, -52.2), (-1 / (3 * 0.08**2), 0.0)):
        with pytest.raises(ValidationError, match="must still stiffen outwards"):
            MirrorParams.model_validate(given | {"cubic_per_rad2": cubic})
