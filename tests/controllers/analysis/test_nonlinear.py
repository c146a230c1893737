"""Laws that are not linear: what is seen, the circle criterion, describing functions."""

import math
from typing import Any

import numpy as np
import pytest
from scipy.optimize import brentq

from controllers.analysis import Loop, Plant, linearise, loop_gain
from controllers.analysis.circle_criterion import (
    circle_criterion,
    disc_size,
    least_real_part,
    sector_gain,
)
from controllers.analysis.describing_function import (
    cycle_amplitude,
    describing_function,
    first_limit,
)
from controllers.analysis.linear_loop import controller_response, plant_response
from controllers.analysis.linearise import amplitudes_for
from controllers.analysis.nonlinearity import PROBES_RAD, Nonlinearity, NotLinearError
from sim.foundations.ports import Array, Setpoint, TiltReading
from tests.controllers.analysis.test_linear_loop import MIRRORS, delayed

Q = 2e-5
GAIN = 0.2


class Law:
    """An integrator with a static map of the mismatch, of the correction, or of both axes."""

    def __init__(self, gain: Any = GAIN, before: Any = None, behind: Any = None) -> None:
        self.gain, self.before, self.behind = gain, before, behind

    def initial_state(self, n_mirrors: int) -> Array:
        return np.zeros((n_mirrors, 2))

    def step(self, state: Array, reading: TiltReading, setpoint: Setpoint) -> tuple[Array, Array]:
        e = setpoint.reference_rad - reading.tilt_rad
        state = state + self.gain * (e if self.before is None else self.before(e))
        return state, state if self.behind is None else self.behind(state)


def rounded(e: Array) -> Array:
    return Q * np.floor(e / Q + 0.5)


def dead(e: Array) -> Array:
    return e - np.clip(e, -Q, Q)


def scheduled(e: Array) -> Array:
    return e * np.where(np.abs(e) > 1e-4, 0.5, 1.0)


def peaked(e: Array) -> Array:
    """A gain of twice as much in a band of 2 % about 100 urad, between two sizes that are tried."""
    at = np.sqrt(PROBES_RAD[PROBES_RAD < 1e-4][-1] * PROBES_RAD[PROBES_RAD > 1e-4][0])
    off = np.log(np.maximum(np.abs(e), 1e-30) / at) / 0.02
    return e * (1.0 + np.exp(-(off**2)))


def radial(e: Array) -> Array:
    size = np.hypot(e[:, 0], e[:, 1])[:, None]
    return e * (0.4 + 0.6 / (1.0 + (size / 1e-4) ** 2))


def seen(law: Law, m: int = 3) -> NotLinearError:
    with pytest.raises(NotLinearError) as caught:
        linearise(law, m, amplitudes_for(3e-5))
    return caught.value


@pytest.mark.parametrize(
    ("law", "words", "place", "low", "high"),
    [
        (Law(before=rounded), "rounding: the correction moves in steps of 4 urad and stays at rest "
         "for mismatches up to 9.", "mismatch", 0.0, 2.0),
        (Law(behind=rounded), "rounding: the correction moves in steps of 20 urad and stays at "
         "rest for mismatches up to 4", "correction", 0.0, 2.0),
        (Law(before=dead), "a dead band: no correction for mismatches up to 20", "mismatch", 0, 1),
        (Law(before=lambda e: scheduled(e) + 1e-9 * np.abs(e)), "a gain that depends on size: 0.1",
         "mismatch", 1.0, 2.0),
        (Law(before=scheduled), "a gain that depends on size: 0.1 at", "mismatch", 1.0, 2.0),
        (Law(before=radial), "a gain that depends on size: 0.08 at", "mismatch", 1.0, 2.5),
        (Law(before=peaked), "a gain that depends on size: 0.2 at", "mismatch", 1.0, 2.0),
    ],
)  # fmt: skip
def test_what_was_seen_and_its_sector(
    law: Law, words: str, place: str, low: float, high: float
) -> None:
    # Slopes by hand, against those at large mismatches. Mid-tread rounding: 0 to 2 (just beyond
    # half a step the whole step comes out); a dead band: 0 to 1.
    error = seen(law)
    assert words in str(error) and error.args == (str(error),)
    assert error.found is not None and error.found.place == place
    assert error.found.low == pytest.approx(low, abs=2e-3)
    assert error.found.high == pytest.approx(high, rel=2e-3)


def test_laws_without_a_sector_are_refused_with_what_was_seen() -> None:
    class Late(Law):
        def step(self, state: Array, reading: TiltReading, setpoint: Setpoint) -> Any:
            e = setpoint.reference_rad - reading.tilt_rad
            state = state + 0.1 * e
            return state, state * (1.0 + 1e3 * np.abs(state))  # gain by the sum, not by the reading

    class Sticky(Law):
        """Rounds what it sums, so that memory and map cannot be told apart."""

        def step(self, state: Array, reading: TiltReading, setpoint: Setpoint) -> Any:
            state = rounded(0.9 * state + 0.4 * (setpoint.reference_rad - reading.tilt_rad))
            return state, state

    assert "seen: rounding" in str(seen(Sticky())) and seen(Sticky()).found is None
    assert seen(Law(before=np.abs)).found is not None  # a sector from -1 to 1
    assert "than for its opposite" in str(seen(Law(before=np.abs)))
    late = seen(Late())
    assert "a gain that depends on size" in str(late)


def test_each_mirror_is_proven_by_itself() -> None:
    # One of five mirrors has a dead band, and a gain so low that it would drown among the others.
    def one(e: Array) -> Array:
        return np.where(np.arange(len(e))[:, None] == 3, dead(e), e)

    gains = np.array([1.0, 1.0, 1.0, 1e-3, 1.0])[:, None]
    linear = linearise(Law(gains), 5)
    np.testing.assert_allclose(linear.D[:, 0, 0], gains[:, 0])
    error = seen(Law(gains, before=one), 5)
    assert "mirror 4 of 5" in str(error)


def test_a_dead_band_beyond_the_scatter_is_out_of_sight_and_a_scatter_shows_it() -> None:
    # The amplitudes decide: a bend at 1 mrad is none for readings of 30 urad, and is one for 200.
    law = Law(before=lambda e: np.clip(e, -1e-3, 1e-3))
    linearise(law, 2, amplitudes_for(3e-5))
    with pytest.raises(NotLinearError):
        linearise(law, 2, amplitudes_for(3e-4))


def saturated(e: Array) -> Array:
    return np.clip(e, -1.0, 1.0)


def test_describing_functions_of_the_textbook() -> None:
    # Gelb and Vander Velde 1968, closed forms: saturation at 1, its dead band, mid-tread rounding.
    a = np.array([1.2, 1.5, 2.0, 3.0, 10.0])
    wanted = [0.92039502, 0.78089796, 0.60899778, 0.41641719, 0.12711143]
    got = describing_function(saturated, a, 20_000)
    np.testing.assert_allclose(got, wanted, atol=1e-7)
    band = describing_function(lambda e: e - saturated(e), a, 20_000)
    np.testing.assert_allclose(band, 1 - np.array(wanted), atol=1e-7)
    a = np.array([0.4, 0.6, math.sqrt(0.5), 1.0, 1.5 - 1e-9, 2.0, 3.0])
    wanted = [0.0, 1.1730161, 4 / math.pi, 1.1026578, 0.8002812, 1.0374888, 1.0206329]
    got = describing_function(lambda e: np.floor(e + 0.5), a, 200_000)
    np.testing.assert_allclose(got, wanted, atol=2e-5)


def test_cycle_of_a_saturated_third_order_loop() -> None:
    # G = 6 / (s (s + 1)(0.5 s + 1)): the describing function says amplitude 0.4125691 / (saturation
    # at the output of a gain of 6) and sqrt(2) rad/s; integrating the loop gives 0.4210759 and
    # 1.3952432, 2 % away. Here the amplitude is that of the map's argument: e = 6 x 0.4125691.
    w = np.geomspace(0.5, 5.0, 20_001)
    s = 1j * w
    gain = 6.0 / (s * (s + 1) * (0.5 * s + 1))
    limit, at = first_limit(w, gain)
    assert limit == pytest.approx(0.5, rel=1e-6) and at == pytest.approx(math.sqrt(2), rel=1e-6)
    a = np.geomspace(0.5, 20.0, 2000)
    cycle = cycle_amplitude(a, describing_function(saturated, a, 2000), limit)
    assert cycle / 6 == pytest.approx(0.4125691, rel=1e-4)
    assert cycle / 6 == pytest.approx(0.4210759, rel=0.05)


def test_a_cycle_lies_where_the_gain_comes_down_for_the_last_time() -> None:
    a = np.array([1.0, 10.0, 100.0, 1000.0])
    gains = np.array([[0.9, 0.1, 0.9, 0.2], [0.5, 0.4, 0.3, 0.2], [0.6, 0.7, 0.8, 0.9]]).T
    # Straight in log A from 0.9 at 100 to 0.2 at 1000; never above; still above at the end.
    found = cycle_amplitude(a, gains, np.array([0.55, 0.55, 0.55]))
    assert found[0] == pytest.approx(100.0 * 10 ** (0.35 / 0.7))
    assert np.isnan(found[1]) and found[2] == pytest.approx(1000.0)


def test_cycle_of_a_relay() -> None:
    # The same plant with a relay of +-1 and gain 1: the describing function 4/(pi A) says amplitude
    # 4/(3 pi) and sqrt(2) rad/s. Exact, by the half-period condition of a relay on the poles 0, -1
    # and -2, solved in this test: peak 0.4400741 and 1.3805949 rad/s, 4 and 2 % away.
    w = np.geomspace(0.5, 5.0, 20_001)
    s = 1j * w
    limit, at = first_limit(w, 1.0 / (s * (s + 1) * (0.5 * s + 1)))
    assert limit == pytest.approx(3.0, rel=1e-6) and at == pytest.approx(math.sqrt(2), rel=1e-6)
    a = np.geomspace(0.05, 5.0, 2000)
    cycle = cycle_amplitude(a, describing_function(np.sign, a, 2000), limit)
    assert cycle == pytest.approx(0.4244132, rel=1e-4)

    # 1/(s (s+1)(s/2+1)) = 1/s - 2/(s+1) + 1/(s+2). Under +1 for half a period T from rest of an odd
    # cycle each part starts at minus its end: y(t) in closed form, and it crosses zero at t = 0.
    def part(p: float, t: Array, half: float) -> Array:
        if p == 0.0:
            return t - 0.5 * half
        return (1 - 2 * np.exp(-p * t) / (1 + np.exp(-p * half))) / p

    def tilt(t: Any, half: float) -> Any:
        return part(0.0, t, half) - 2 * part(1.0, t, half) + part(2.0, t, half)

    half = brentq(lambda half: float(tilt(0.0, half)), 1.0, 5.0)
    assert math.pi / half == pytest.approx(1.3805949, rel=1e-6)
    assert np.abs(tilt(np.linspace(0, half, 20_001), half)).max() == pytest.approx(0.4400741, 1e-6)


@pytest.mark.parametrize(
    ("d", "suggested", "share"), [(1, 1.5708, 0.025), (2, 0.7854, 0.057), (3, 0.4854, 0.067)]
)
def test_small_cycles_that_the_describing_function_does_not_see(
    d: int, suggested: float, share: float
) -> None:
    # An integrator with rounded readings and d frames of delay: its linear limit is 2 sin(pi/(4 d -
    # 2)), and the largest gain of mid-tread rounding 4/pi, so that the describing function expects
    # no cycle below pi/4 of the limit. Wrong: there are cycles as soon as d K > 1, from a few in a
    # hundred starts; a few starts would miss them. Brute force, starts drawn at random.
    limit = 2 * math.sin(math.pi / (4 * d - 2))
    assert limit * math.pi / 4 == pytest.approx(suggested, rel=1e-4)
    a = np.geomspace(0.5, 5.0, 4001)
    n = describing_function(lambda e: np.floor(e + 0.5), a, 4000)
    assert n.max() == pytest.approx(4 / math.pi, rel=1e-3)
    for total, least, most in ((0.999, 0.0, 0.0), (1.03, 0.5 * share, 1.6 * share)):
        gain, rng = total / d, np.random.default_rng(d)
        history = rng.uniform(-3, 3, (d, 6000))
        for _ in range(600):
            new = history[-1] - gain * np.floor(history[0] + 0.5)
            history = np.concatenate([history[1:], new[None]])
        late = []
        for _ in range(60):
            new = history[-1] - gain * np.floor(history[0] + 0.5)
            history = np.concatenate([history[1:], new[None]])
            late.append(new)
        swing = np.ptp(late, axis=0)
        cycling = float((swing > 0).mean())
        assert least <= cycling <= most, (total, cycling)
        if cycling:  # of a swing d K, one reading's worth
            assert np.median(swing[swing > 0]) == pytest.approx(total, rel=1e-6)


def test_circle_of_the_textbook() -> None:
    # Closed forms: a resonator 1/(s^2 + s/Q + 1) has min Re -Q^2/(2 Q + 1); 1/(s(s+1)(0.5 s+1))
    # has Re = -1.5 / ((1 + w^2)(1 + w^2/4)), so k < 2/3 (its linear limit is 3); e^-s / s: k < 1.
    w = np.geomspace(1e-4, 100.0, 400_001)
    s = 1j * w
    for q, k in ((5.0, 0.44), (25.0, 0.0816)):
        assert -1 / least_real_part(1 / (s**2 + s / q + 1)) == pytest.approx(k, rel=1e-4)
    assert -1 / least_real_part(1 / (s * (s + 1) * (0.5 * s + 1))) == pytest.approx(2 / 3, 1e-4)
    assert -1 / least_real_part(np.exp(-s) / s) == pytest.approx(1.0, rel=1e-4)
    # A scan that starts at 0.05 rad/s gives the third one as -1.495325, 0.668751.
    s = s[w >= 0.05]
    assert least_real_part(1 / (s * (s + 1) * (0.5 * s + 1))) == pytest.approx(-1.495325, 2e-5)


@pytest.mark.parametrize("d", [1, 2, 3])
def test_circle_of_a_rounded_integrator(d: int) -> None:
    # Exact: an integrator on d frames of delay has min Re -(2 d - 1)/2, so slope x K < 2/(2 d - 1);
    # mid-tread rounding has slopes up to 2: K < 1, 1/3, 1/5 is certain.
    gain = 0.25
    found = seen(Law(gain, before=rounded), 1).found
    assert found is not None
    circle = circle_criterion(found, delayed(d))
    assert circle.from_zero
    limit = {1: 1.0, 2: 1 / 3, 3: 1 / 5}[d]
    assert gain * circle.factor[0] == pytest.approx(limit, rel=2e-3)
    assert bool(circle.certain[0]) == (limit > gain)
    assert circle.frequency_hz[0] < 1.0  # the least real part is at zero frequency


def test_circle_of_a_sector_between_two_slopes() -> None:
    # Khalil, Nonlinear Systems, the example of the circle criterion (from memory): for
    # 4/((s+1)(s/2+1)(s/3+1)) the sectors (-0.25, 0.25), [0, 1.166] and about (-0.227, 0.714) are
    # certain. Second way: the distance of G from the circle through -1/a and -1/b.
    s = 1j * np.geomspace(1e-3, 300.0, 60_001)
    g = 4.0 / ((s + 1) * (s / 2 + 1) * (s / 3 + 1))
    both = np.zeros((len(s), 1, 2, 2), complex)
    both[:, 0, 0, 0] = g
    assert -1 / least_real_part(g) == pytest.approx(1.166, rel=2e-3)
    for low, high in ((-0.25, 0.25), (-0.227, 0.714), (0.2, 1.4), (0.5, 2.5)):
        c, r = 0.5 * (low + high), 0.5 * (high - low)
        size = disc_size(both, np.array([c]), np.array([r])).max()
        centre = -0.5 * (1 / low + 1 / high)
        radius = 0.5 * abs(1 / high - 1 / low)
        away = np.abs(g - centre)
        kept = (away < radius).all() if low < 0 else (away > radius).all()
        assert (size < 1.0) == kept, (low, high, size)
        assert abs(size - 1.0) < 0.25 or low > 0


def test_two_coupled_axes_with_dead_bands_stay_within_what_is_stated() -> None:
    # Coupling of opposite signs between axes of dead bands: no quadratic measure of the loop falls
    # at all times, so the sector from zero is lifted. Second way: 3000 frames under pushes as large
    # as the dead band lets stand; the rms of the mismatch ends below the bound, and a loop beyond
    # its factor by far does not.
    coupled = MIRRORS._replace(mix=MIRRORS.mix.copy())
    coupled.mix[:, 0, 1], coupled.mix[:, 1, 0] = 0.1, -0.08
    found = seen(Law(gain=0.15, before=dead)).found
    assert found is not None
    circle = circle_criterion(found, coupled)
    assert circle.from_zero and circle.certain.all() and (circle.factor > 1).all()
    # Both axes may stand at the edges of their dead bands, and the bound is not far above that.
    assert (circle.rest_rad >= 2**0.5 * Q).all() and (circle.rest_rad < 2 * Q).all()
    assert (_rest(found, coupled, 1.0) <= circle.rest_rad).all()
    far = circle.factor.max() * 20.0
    assert (_rest(found, coupled, far) > circle.rest_rad).any()


def _rest(found: Nonlinearity, plant: Plant, factor: float) -> Array:
    """Rms (M,) of the late mismatch of both axes, after a kick, with the map times a factor."""
    from controllers.analysis.linear_loop import plant_matrices

    A, B, C = plant_matrices(plant)
    linear, late = found.linear, []
    x, c = np.zeros((len(A), A.shape[-1], 1)), np.zeros((len(A), linear.A.shape[-1], 1))
    x[:, 1] = 20 * Q
    for k in range(3000):
        e = np.clip(-(C @ x), -1.0, 1.0)
        w = factor * found.value(e[..., 0])[..., None]
        u = linear.C @ c + linear.D @ w
        c = linear.A @ c + linear.B @ w
        x = np.clip(A @ x + B @ u, -1.0, 1.0)
        if k >= 1000:
            late.append(e[..., 0])
    return np.asarray(np.sqrt((np.stack(late) ** 2).sum(axis=-1).mean(axis=0)))


def test_circle_against_brute_force_and_against_its_own_limits() -> None:
    # A gain that depends on size, on three mirrors with delay and resonance. Second ways: the
    # linear loops with both ends of the sector are stable (necessary), and 2000 frames with a gain
    # that jumps at random within the sector do not grow, as the criterion promises.
    found = seen(Law(gain=0.25, before=scheduled)).found
    assert found is not None
    circle = circle_criterion(found, MIRRORS)
    assert circle.certain.all() and (circle.factor > 1).all() and not circle.from_zero
    loop = Loop(found.linear, MIRRORS)
    f = np.linspace(0.5, 500, 2000)
    for k in (found.low, found.high):
        limit, _ = first_limit(f, k * loop_gain(loop, f)[..., 0, 0])
        assert (circle.factor <= limit * 1.05).all()
    assert _peak(found, MIRRORS, 1.0) < 3.0
    # Far beyond what is certain a varying gain is not harmless any more.
    assert _peak(found, MIRRORS, 40.0) > 1e3


def test_the_circle_goes_with_the_gain() -> None:
    # A gain k times as large has 1 / k of the factor left, to the steps of the search; beyond it
    # nothing is certain. The response comes nearest to the circle at one frequency whatever k.
    one = seen(Law(gain=0.25, before=scheduled)).found
    assert one is not None
    whole = circle_criterion(one, MIRRORS)
    for k in (0.5 * whole.factor.min(), 0.9 * whole.factor.min(), 1.1 * whole.factor.max()):
        found = seen(Law(gain=0.25 * k, before=scheduled)).found
        assert found is not None
        circle = circle_criterion(found, MIRRORS)
        np.testing.assert_allclose(circle.factor, whole.factor / k, rtol=0.01)
        assert circle.certain.tolist() == (circle.factor > 1).tolist()
    dense = np.geomspace(0.05, 500.0, 3000)
    linear = controller_response(one.linear, dense, MIRRORS.frame_s)
    gain = sector_gain(linear, plant_response(MIRRORS, dense), one.place)
    inside = np.linalg.solve(np.eye(2) + one.middle * gain, gain)
    size = np.linalg.svd(inside, compute_uv=False)[..., 0]
    np.testing.assert_allclose(whole.frequency_hz, dense[size.argmax(axis=0)], rtol=0.02)


def _peak(found: Nonlinearity, plant: Plant, factor: float) -> float:
    """Largest late reading after a kick, under gains drawn anew each frame."""
    from controllers.analysis.linear_loop import plant_matrices

    A, B, C = plant_matrices(plant)
    linear, rng = found.linear, np.random.default_rng(5)
    x, c = np.zeros((len(A), A.shape[-1], 1)), np.zeros((len(A), linear.A.shape[-1], 1))
    x[:, 1] = x[:, A.shape[-1] // 2 + 1] = 1.0
    peak = 0.0
    for k in range(2000):
        y = C @ x
        e = -y * factor * rng.choice([found.low, found.high], size=y.shape)
        u = linear.C @ c + linear.D @ e
        c = linear.A @ c + linear.B @ e
        x = A @ x + B @ u
        if k > 1900:
            peak = max(peak, float(np.abs(y).max()))
        if not np.isfinite(peak) or peak > 1e6 or np.abs(y).max() > 1e6:
            return 1e9
    return peak
