"""Tuning rules: margins by a frequency sweep, and settings worked by hand."""

import math

import numpy as np
import pytest
from mirrorloop.testing.controllers import PLANT

from controllers.integrator import Integrator
from controllers.rules import (
    ContinuousGains,
    FirstOrderPlusDelay,
    believed_rules,
    effective_delay_s,
    half_rule,
    per_frame,
    simc,
    simc_integrating,
    simc_pure_delay,
    ultimate,
    ziegler_nichols,
)
from controllers.sampled_model import sampled_model

OMEGA = np.geomspace(1e-3, 60.0, 400_000)  # neighbours differ by 3e-5: margins good to that


def sweep(loop: np.ndarray) -> dict[str, float]:
    """Return margins of a loop gain on OMEGA; times in the unit of 1/OMEGA."""
    size, phase = np.abs(loop), np.unwrap(np.angle(loop))
    phase -= 2.0 * math.pi * math.ceil((phase[0] - 1e-9) / (2.0 * math.pi)) if phase[0] > 0 else 0
    cut, turn = int(np.argmax(size < 1.0)), int(np.argmax(phase < -math.pi))
    margin = math.pi + phase[cut]
    return {
        "gain": 1.0 / size[turn],
        "phase_deg": math.degrees(margin),
        "ms": np.abs(1.0 / (1.0 + loop)).max(),
        "mt": np.abs(loop / (1.0 + loop)).max(),
        "cut": OMEGA[cut],
        "delay": margin / OMEGA[cut],
    }


def loop_gain(c: ContinuousGains, process: np.ndarray) -> np.ndarray:
    s = 1j * OMEGA
    return c.gain * (1.0 + 1.0 / c.integral_s / s + c.derivative_s * s) * process


def close(got: dict[str, float], **expected: float) -> None:
    for name, value in expected.items():
        assert got[name] == pytest.approx(value, rel=5e-3), name


@pytest.mark.parametrize("lag_s", [1.0, 3.0, 8.0])
def test_simc_on_lag_and_delay(lag_s: float) -> None:
    # Source: S. Skogestad, J. Process Control 13 (2003) 291, table of margins (printed as 3.14,
    # 61.4 deg, 1.59, 1.00, 2.14: from memory, not checked against the paper); digits derived.
    s = 1j * OMEGA
    c = simc(FirstOrderPlusDelay(lag_s, 1.0), gain=2.5)
    got = sweep(loop_gain(c, 2.5 * np.exp(-s) / (lag_s * s + 1.0)))
    close(got, gain=3.1416, phase_deg=61.352, ms=1.5905, mt=1.0, cut=0.5, delay=2.1416)


def test_simc_on_integrator_and_delay() -> None:
    # Source as above (printed as 2.96, 46.9 deg, 1.70, 1.30, 1.59: from memory); digits derived.
    s = 1j * OMEGA
    c = simc_integrating(0.7, 1.0)
    assert c.gain == pytest.approx(0.5 / 0.7)
    assert c.integral_s == pytest.approx(8.0)
    got = sweep(loop_gain(c, 0.7 * np.exp(-s) / s))
    close(got, gain=2.9634, phase_deg=46.864, ms=1.7035, mt=1.2994, cut=0.5145, delay=1.5896)


def test_half_rule_examples() -> None:
    # Source: S. Skogestad, J. Process Control 13 (2003) 291 (worked examples; the arithmetic is
    # repeated here by hand).
    one = half_rule((1.0, 0.2))
    assert one == pytest.approx((1.1, 0.1, 0.0))
    assert simc(one)[:2] == pytest.approx((5.5, 0.8))
    lags_s = (0.2, 1.0, 0.008, 0.04)
    pi, pid = half_rule(lags_s), half_rule(lags_s, order=2)
    assert pi == pytest.approx((1.1, 0.148, 0.0))
    assert simc(pi)[:2] == pytest.approx((3.7162, 1.1), rel=1e-4)
    assert pid == pytest.approx((1.0, 0.028, 0.22))
    assert simc(pid) == pytest.approx((17.857, 0.224, 0.22), rel=1e-4)


def test_pure_delay_is_the_limit_of_a_vanishing_lag() -> None:
    c = simc(FirstOrderPlusDelay(1e-9, 2e-3))
    assert simc_pure_delay(2e-3, 1e-3) == pytest.approx(1e-3 * c.gain / c.integral_s)
    assert simc_pure_delay(2e-3, 1e-3, gain=0.5, closed_loop_s=6e-3) == pytest.approx(0.25)


@pytest.mark.parametrize(
    ("kind", "expected"),
    [
        ("p", {"gain": 2.0, "phase_deg": 45.0, "ms": 2.2322}),
        ("pi", {"gain": 1.8680, "phase_deg": 24.916, "ms": 2.8310}),
        ("pid", {"gain": 1.7923, "phase_deg": 32.613, "ms": 2.2916}),
    ],
)
def test_ziegler_nichols_on_integrator_and_delay(kind: str, expected: dict[str, float]) -> None:
    # Source: J. G. Ziegler and N. B. Nichols, Trans. ASME 64 (1942) 759 (rules from memory, not
    # checked against the paper); margins derived. exp(-s)/s has Ku = pi/2 and Pu = 4.
    s = 1j * OMEGA
    c = ziegler_nichols(kind, math.pi / 2.0, 4.0)  # type: ignore[arg-type]
    close(sweep(loop_gain(c, np.exp(-s) / s)), **expected)


def test_gains_per_frame() -> None:
    got = per_frame(ContinuousGains(0.6, 4e-3, 0.5e-3), 1e-3)
    assert got == pytest.approx((0.6, 0.15, 0.3))
    assert per_frame(ziegler_nichols("p", 1.0, 1.0), 1e-3).integral_per_frame == 0.0


def test_effective_delay_of_a_mirror_that_follows_at_once() -> None:
    # Exact: seen d frames later, (d - 1/2) frames. The mirror here lags by 1e-6 s and less.
    stiff = PLANT._replace(resonance_rad_s=(1e7, 1e7), quality=(0.7, 0.7), amplifier_s=1e-8)
    for d in (1, 2, 3):
        delay_s = effective_delay_s(stiff._replace(latency_s=d * 1e-3))
        assert delay_s == pytest.approx((d - 0.5) * 1e-3, abs=1e-6)


def test_effective_delay_is_the_phase_of_the_sampled_loop_at_low_frequency() -> None:
    # Second way: a slow sine through the frame-by-frame recursion, fitted; half a frame less. At
    # 1 Hz the phase departs from its slope by the cube of 0.01.
    model = sampled_model(
        PLANT.resonance_rad_s, PLANT.quality, PLANT.amplifier_s, 1e-3, 0.3e-3, 1e-3
    )
    k = np.arange(2000)
    u = np.exp(2j * math.pi * 1e-3 * k)
    x, y = np.zeros((2, 4, 1), dtype=complex), np.zeros((2000, 2), dtype=complex)
    for n in k:
        y[n] = (model.C @ x)[:, 0, 0]
        x = model.A @ x + model.B * u[n]
    delay_s = -np.angle((y[1000:] * u[1000:, None].conj()).mean(axis=0)) / (2.0 * math.pi)
    assert effective_delay_s(PLANT) == pytest.approx(delay_s.max() - 0.5e-3, rel=1e-3)


@pytest.mark.parametrize("d", [1, 2, 3])
def test_ultimate_gain_of_a_pure_delay(d: int) -> None:
    # Exact: 2 sin(pi / (2 (2d - 1))) for an integrator (z^d - z^(d-1) + K = 0), whose pole on the
    # circle stands at the angle pi / (2d - 1); 1 for a plain gain (z^d = -K), at pi / d. The mirror
    # here lags by up to 1e-6 s, a thousandth of a frame.
    stiff = PLANT._replace(
        resonance_rad_s=(1e7, 1e7), quality=(0.7, 0.7), amplifier_s=1e-8, latency_s=d * 1e-3
    )
    summed, plain = (ultimate(stiff, integrating=i) for i in (True, False))
    assert summed.gain == pytest.approx(2.0 * math.sin(math.pi / (2 * (2 * d - 1))), rel=2e-3)
    assert summed.period_s == pytest.approx(2e-3 * (2 * d - 1), rel=2e-3)
    assert plain == pytest.approx((1.0, 2e-3 * d), rel=2e-3)


@pytest.mark.parametrize("integrating", [True, False])
def test_ultimate_gain_is_where_the_believed_loop_starts_to_grow_in_time(integrating: bool) -> None:
    # Second way: the frame-by-frame recursion with a percent less and more gain.
    model = sampled_model(
        PLANT.resonance_rad_s, PLANT.quality, PLANT.amplifier_s, 1e-3, 0.3e-3, 1e-3
    )
    found = ultimate(PLANT, integrating=integrating)

    def late_over_early(gain: float) -> float:
        x, u, size = np.zeros((2, 4, 1)), np.zeros(2), []
        x[:, 1] = 1.0
        for _ in range(1200):
            y = (model.C @ x)[:, 0, 0]
            u = (u if integrating else 0.0) - gain * y
            x = model.A @ x + model.B * u[:, None, None]
            size.append(np.abs(y).max())
        return float(max(size[1000:]) / max(size[300:500]))

    assert late_over_early(0.99 * found.gain) < 1.0 < late_over_early(1.01 * found.gain)


def test_bad_arguments() -> None:
    with pytest.raises(ValueError, match="no gain up to 8 makes the believed loop oscillate"):
        slow = PLANT._replace(resonance_rad_s=(0.5, 0.5), quality=(0.5, 0.5))
        ultimate(slow, integrating=False)
    with pytest.raises(ValueError, match="lags_s must be positive and not empty, got ()"):
        half_rule(())
    with pytest.raises(ValueError, match=r"closed_loop_s \+ delay_s must be positive, got 0"):
        simc(FirstOrderPlusDelay(1.0, 0.0))
    with pytest.raises(ValueError, match='kind must be "p", "pi" or "pid", got \'pd\''):
        ziegler_nichols("pd", 1.0, 1.0)  # type: ignore[arg-type]


def test_rules_of_a_believed_plant_are_their_parts() -> None:
    rules = believed_rules(PLANT)
    assert set(rules) == {"SIMC", "half the ultimate gain", "ultimate-gain PI"}
    simc_gain = simc_pure_delay(effective_delay_s(PLANT), PLANT.frame_s)
    assert rules["SIMC"] == (0.0, simc_gain, 0.0)
    integral = ultimate(PLANT, integrating=True)
    assert rules["half the ultimate gain"] == (0.0, 0.5 * integral.gain, 0.0)
    found = ultimate(PLANT, integrating=False)
    plain = ziegler_nichols("pi", found.gain, found.period_s)
    assert rules["ultimate-gain PI"] == per_frame(plain, PLANT.frame_s)
    assert Integrator.rules(PLANT) == {
        name: {"integral_per_frame": rules[name].integral_per_frame}
        for name in ("SIMC", "half the ultimate gain")
    }
