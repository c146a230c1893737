"""ZV and ZVD: coefficients, ringing left by a wrong resonance, and the tick grid."""

import math
from typing import Any

import numpy as np
import pytest
from mirrorloop.testing.controllers import PLANT
from scipy.linalg import expm
from scipy.optimize import brentq

from controllers.shaping.zero_vibration import tick_impulses
from tests.controllers.test_shapers import build

# Source of the shapers: N. C. Singer and W. P. Seering, "Preshaping command inputs to reduce system
# vibration", J. Dyn. Syst. Meas. Control 112 (1990) 76. Digits derived from its equations.


@pytest.mark.parametrize(
    ("damping", "zv", "zvd"),
    [
        (0.0, (0.5, 0.5), (0.25, 0.5, 0.25)),
        (0.05, (0.539238, 0.460762), (0.290778, 0.496921, 0.212301)),
        (0.1, (0.578286, 0.421714), (0.334415, 0.487743, 0.177843)),
    ],
)
def test_coefficients(damping: float, zv: tuple[float, ...], zvd: tuple[float, ...]) -> None:
    # Where half a damped period is a whole number of ticks, impulses need not be shared.
    for order, expected in ((1, zv), (2, zvd)):
        times_s, amplitudes = on_whole_ticks(damping, order)
        np.testing.assert_allclose(amplitudes, expected, atol=1e-6)
        half_s = math.pi / math.sqrt(1.0 - damping**2)
        np.testing.assert_allclose(times_s, half_s * np.arange(order + 1), rtol=1e-12)


def on_whole_ticks(damping: float, order: int) -> tuple[np.ndarray, np.ndarray]:
    """Times and amplitudes of the impulses for a resonance of 1 rad/s, 16 ticks apart."""
    tick_s = math.pi / math.sqrt(1.0 - damping**2) / 16
    quality = 1.0 / (2.0 * damping) if damping else 1e12
    every = tick_impulses(1.0, quality, tick_s, order)
    ticks = np.flatnonzero(np.abs(every) > 1e-9)
    return tick_s * ticks, every[ticks]


def ideal_impulses(resonance_rad_s: float, damping: float, order: int) -> tuple[Any, Any]:
    """Times and amplitudes by the paper: (1, K)/(1 + K), K = exp(-pi zeta/sqrt(1 - zeta^2))."""
    root = math.sqrt(1.0 - damping**2)
    ratio = math.exp(-math.pi * damping / root)
    one = np.array([1.0, ratio]) / (1.0 + ratio)
    half_s = math.pi / (resonance_rad_s * root)
    return half_s * np.arange(order + 1), one if order == 1 else np.convolve(one, one)


def ringing(r: float, damping: float, order: int) -> float:
    """Return the ringing left when the true resonance is r times the believed one.

    State space, not the impulse formula: impulses kick an oscillator, expm carries it on; the
    amplitude at the last impulse is compared with that of one whole kick at time zero, and taken
    back to it by the envelope.
    """
    times_s, amplitudes = on_whole_ticks(damping, order)
    A = np.array([[0.0, 1.0], [-(r**2), -2.0 * damping * r]])
    x, now = np.zeros(2), 0.0
    for t, a in zip(times_s, amplitudes, strict=True):
        x = expm(A * (t - now)) @ x + np.array([0.0, a])
        now = t
    wd = r * math.sqrt(1.0 - damping**2)
    return math.hypot(x[0], (x[1] + damping * r * x[0]) / wd) * wd


@pytest.mark.parametrize(
    ("r", "zv", "zvd", "zv_damped", "zvd_damped"),
    [
        (0.90, 0.156434, 0.024472, 0.134722, 0.018150),
        (0.95, 0.078459, 0.006156, 0.067036, 0.004494),
        (1.05, 0.078459, 0.006156, 0.065986, 0.004354),
        (1.10, 0.156434, 0.024472, 0.130534, 0.017039),
        (1.20, 0.309017, 0.095492, 0.253848, 0.064439),
    ],
)
def test_ringing_left_by_a_wrong_resonance(
    r: float, zv: float, zvd: float, zv_damped: float, zvd_damped: float
) -> None:
    # Exact without damping: |cos(pi r/2)| and its square. With damping 0.1 derived. Six decimals.
    assert abs(math.cos(math.pi * r / 2.0)) == pytest.approx(zv, abs=1e-6)
    assert ringing(r, 0.0, 1) == pytest.approx(zv, abs=1e-6)
    assert ringing(r, 0.0, 2) == pytest.approx(zvd, abs=1e-6)
    assert ringing(r, 0.1, 1) == pytest.approx(zv_damped, abs=1e-6)
    assert ringing(r, 0.1, 2) == pytest.approx(zvd_damped, abs=1e-6)


@pytest.mark.parametrize(("order", "width"), [(1, 0.06369), (2, 0.28713)])
def test_band_of_resonances_that_keep_ringing_below_five_per_cent(order: int, width: float) -> None:
    # Derived (published as 0.06 and 0.286 to 0.29: values from memory, not checked against the
    # document). Width of the band as a share of the believed resonance.
    low = brentq(lambda r: ringing(r, 0.0, order) - 0.05, 0.6, 0.999)
    high = brentq(lambda r: ringing(r, 0.0, order) - 0.05, 1.001, 1.4)
    assert high - low == pytest.approx(width, abs=1e-5)


def residual(amplitudes: np.ndarray, w: float, q: float, tick_s: float) -> float:
    """Return |sum A_i exp(-p t_i)|: the ringing in units of that of a single impulse at zero."""
    p = complex(-w / (2.0 * q), w * math.sqrt(1.0 - 1.0 / (4.0 * q * q)))
    return abs(np.sum(amplitudes * np.exp(-p * tick_s * np.arange(len(amplitudes)))))


@pytest.mark.parametrize("resonance_hz", [613.0, 700.0, 760.0, 1000.0])
@pytest.mark.parametrize("quality", [3.0, 8.0, 1e4])
def test_tick_grid_leaves_no_ringing_and_loses_no_robustness(
    resonance_hz: float, quality: float
) -> None:
    w, tick_s = 2.0 * math.pi * resonance_hz, 50e-6
    for order in (1, 2):
        amplitudes = tick_impulses(w, quality, tick_s, order)
        assert amplitudes.sum() == pytest.approx(1.0, abs=1e-12)
        assert amplitudes.min() > -1e-12
        assert residual(amplitudes, w, quality, tick_s) < 1e-12
        # At 5 % error: as the ideal shaper, but for the split of an impulse over two ticks, a few
        # times (w tick)^2 / 8 of the ideal residual: at most 10 % here.
        times_s, ideal = ideal_impulses(w, 1.0 / (2.0 * quality), order)
        p = complex(-1.0 / (2.0 * quality), math.sqrt(1.0 - 1.0 / (4.0 * quality**2)))
        expected = abs(np.sum(ideal * np.exp(-p * 1.05 * w * times_s)))
        assert residual(amplitudes, 1.05 * w, quality, tick_s) == pytest.approx(expected, rel=0.10)


def test_fine_ticks_approach_the_ideal_amplitudes() -> None:
    # The difference falls with the square of the tick: a hundredth for a tenth.
    w, q = 2.0 * math.pi * 700.0, 8.0
    ideal = ideal_impulses(w, 1.0 / 16.0, 1)[1]
    errors = []
    for tick_s in (50e-6, 5e-6):
        amplitudes = tick_impulses(w, q, tick_s, 1)
        errors.append(abs(amplitudes[0] - ideal[0]))
    assert errors[0] < (w * 50e-6) ** 2
    assert errors[1] < (w * 5e-6) ** 2


def test_axes_have_their_own_resonance() -> None:
    share = build("zv").share
    half_ticks = [math.pi / w / PLANT.tick_s for w in PLANT.resonance_rad_s]
    for axis in (0, 1):
        changes = np.flatnonzero(np.diff(share[:, axis]) > 1e-9) + 1
        assert changes[0] <= half_ticks[axis] * 1.01 <= changes[-1] + 0.2


def test_bad_arguments() -> None:
    with pytest.raises(ValueError, match="quality must be above 1/2 for a mirror that rings"):
        build("zv", PLANT._replace(quality=(0.5, 8.0)))
    with pytest.raises(ValueError, match="at least 8 drive ticks in a period .* got 7.14"):
        build("zvd", PLANT._replace(tick_s=0.2e-3))


@pytest.mark.parametrize("part", [0.001, 0.3, 0.992, 0.999])
@pytest.mark.parametrize("order", [1, 2])
def test_no_amplitude_is_negative_wherever_half_a_period_falls(part: float, order: int) -> None:
    """Positive impulses never ask for more than the whole step (Singer and Seering)."""
    tick_s, quality = 50e-6, 30.0
    half_s = (20 + part) * tick_s
    resonance = math.pi / half_s / math.sqrt(1.0 - 1.0 / (4.0 * quality**2))
    amplitudes = tick_impulses(resonance, quality, tick_s, order)
    assert amplitudes.min() >= 0.0 and amplitudes.sum() == pytest.approx(1.0)
