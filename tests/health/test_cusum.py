"""The shipped watch on a fleet whose faults are known, and the statistics that it rests on."""

import math

import numpy as np
import pytest
from scipy import stats

from sim.foundations.ports import FaultKind
from sim.health import likelihood
from sim.health.cusum import Cusum, CusumParams
from sim.health.moves import LastPlace, gain_by_move
from sim.health.run_length import by_integral
from sim.health.trend import Trend
from sim.health.whitening import fitted, learn, nothing_learnt, whitened
from tests.health.model_fleet import PLANT, Fleet, played

BEGINS = 900


@pytest.fixture(scope="module")
def watch():
    return Cusum(CusumParams(learn_ms=700.0), PLANT)


@pytest.mark.parametrize(
    ("kind", "size", "within_ms"),
    [
        ("weak", 0.9, 5),
        ("oscillating", 100e-6, 64),
        ("drifting", 1e-3, 150),
        ("noisy", 2.0, 60),
        ("lost", 0.0, 5),
    ],
)
def test_each_kind_is_found_named_and_not_seen_in_others(watch, kind, size, within_ms):
    # Bounds on the delay are some times what the information in the readings allows: threshold over
    # Kullback-Leibler divergence, 26 nat over 1.6 nat a frame at twice the scatter, and so on.
    which = range(8)
    fleet = Fleet(m=40, seed=3, kind=kind, which=which, from_frame=BEGINS, size=size)
    frames = BEGINS + (1000 if kind == "drifting" else 250)
    alarm, told, found, gain, _ = played(watch, fleet, frames)
    bad = fleet.which
    delay = alarm[bad] - BEGINS
    assert (delay >= 0).all() and np.median(delay) <= within_ms
    right = found[bad] == FaultKind[kind.upper()]
    assert right.mean() >= (0.7 if kind == "drifting" else 0.9)
    assert (found[~bad] == FaultKind.NONE).all()
    if kind == "weak":
        assert np.median(gain[bad]) == pytest.approx(0.9, abs=0.01)


def test_a_stuck_mirror_is_told_from_a_drifting_one_by_small_corrections(watch):
    fleet = Fleet(m=24, seed=4, kind="stuck", which=range(6), from_frame=BEGINS)
    _, told, found, _, _ = played(watch, fleet, BEGINS + 900)
    assert (found[fleet.which] == FaultKind.STUCK).mean() >= 0.8
    assert (told[fleet.which] > BEGINS).all()


def test_moves_raise_no_alarm(watch):
    # Gains are off by 0.5 % each: 15 urad to 150 urad of a move of 30 mrad stay unexplained.
    moves = {1000: np.full((40, 2), 5e-3)}
    alarm, *_ = played(watch, Fleet(m=40, seed=5, moves=moves), 1500)
    assert (alarm < 0).all()


@pytest.mark.parametrize("loss", [0.05, 0.0])
def test_a_gain_lost_at_rest_shows_at_the_next_move(watch, loss):
    # At 0.1 mrad 5 % of the tilt are 5 urad, a seventh of a reading's standard deviation: nothing
    # to be seen. A move of 14 mrad leaves 700 urad, ten times what healthy gains (0.5 %) leave. The
    # gain comes from a mean of 64 readings: 33/8 urad of 14 mrad, and what gains differ by: 0.7 %.
    which = range(6)
    moves = {1100: np.full((40, 2), 10e-3)}
    fleet = Fleet(m=40, seed=7, kind="weak", which=which, from_frame=BEGINS, size=1 - loss,
                  moves=moves)  # fmt: skip
    for axis in (0, 1):
        fleet.reference[which, axis] = 1e-4
        fleet.x[axis][:, which] = fleet.nominal[axis][:, which] = np.array([[1e-4], [0], [1e-4]])
    alarm, told, kind, gain, _ = played(watch, fleet, 1500)
    bad = fleet.which
    if not loss:
        assert (alarm < 0).all()
        return
    assert (alarm[bad] > 1120).all() and (alarm[bad] < 1300).all()
    assert (told[bad] == alarm[bad]).all() and (kind[bad] == FaultKind.WEAK).all()
    assert gain[bad] == pytest.approx(np.full(6, 0.95), abs=0.02)
    assert (alarm[~bad] < 0).all()


def test_what_a_move_leaves_is_held_against_what_gains_may_be_off_by():
    # By hand: 10 mrad asked along x, 400 urad short: gain 0.96; 0.5 % are 50 urad, with 30 urad of
    # scatter 58.3: q = 6.86, q^2/2 = 23.5. Across the move nothing counts, nor does what stuck.
    last = LastPlace(np.array([[0.0, 0.0]] * 4), np.zeros((4, 2)))
    last.asked_rad[3] = np.nan
    asked = np.array([[10e-3, 0.0]] * 4)
    level = np.array([[-400e-6, 0.0], [0.0, -400e-6], [-10e-3, 0.0], [-400e-6, 0.0]])
    gain, nats = gain_by_move(last, asked, level, np.full(4, 30e-6), 0.005)
    assert gain[:2] == pytest.approx([0.96, 1.0]) and np.isnan(gain[2:]).all()
    assert nats == pytest.approx([0.5 * (400 / math.hypot(50, 30)) ** 2, 0.0, 0.0, 0.0])


def test_what_all_mirrors_share_is_no_fault(watch):
    # A jump of the camera by three standard deviations, on all mirrors alike.
    class Shaken(Fleet):
        def sight(self):
            sight = super().sight()
            shift = 100e-6 if self.k > 950 else 0.0
            return sight._replace(
                reading=sight.reading._replace(tilt_rad=sight.reading.tilt_rad + shift)
            )

    alarm, *_ = played(watch, Shaken(m=40, seed=6), 1200)
    assert (alarm < 0).all()


@pytest.mark.parametrize("size", [0.7, 1.5])
def test_terms_are_likelihood_ratios(size):
    # The mean of exp(term) is 1 while all is well, for any two distributions. 1e6 draws; the
    # tolerance is four standard errors, worked out from the draws themselves.
    rng = np.random.default_rng(1)
    z = rng.standard_normal((64, 20_000))
    for term in (
        likelihood.of_shift(z, size)[0].ravel(),
        likelihood.of_scatter(z[..., None], 1.0 + size),
        likelihood.of_line(z, 0.5),
    ):
        e = np.exp(term).ravel()
        assert e.mean() == pytest.approx(1.0, abs=4 * e.std() / np.sqrt(e.size))
    seen = rng.random(200_000) > 0.01
    e = np.exp(likelihood.of_loss(seen, 0.01, 0.5))
    assert e.mean() == pytest.approx(1.0, abs=4 * e.std() / np.sqrt(e.size))


def test_the_sum_of_a_shift_is_the_tabulated_test():
    # k = size/2 and h = threshold/size: average run lengths of the integral equation, which the
    # published tables hold. 2000 runs, four standard errors.
    rng, size, threshold = np.random.default_rng(3), 1.0, 3.0
    total, lengths, k = np.zeros(2000), np.zeros(2000), 0
    while (lengths == 0).any():
        k += 1
        total = np.maximum(0.0, total + likelihood.of_shift(rng.standard_normal(2000), size)[0])
        lengths = np.where((lengths == 0) & (total > threshold), k, lengths)
    exact = by_integral(0.0, 0.5 * size, threshold / size)
    assert lengths.mean() == pytest.approx(exact, abs=4 * exact / np.sqrt(2000))


def test_chance_of_a_line_is_that_of_fishers_test():
    # Fisher 1929: the exact distribution; his 5 % point for 10 ordinates is 0.4450 (table of
    # R. A. Fisher, as time-series textbooks print it; from memory).
    assert likelihood.line_chance(0.4450, 10) == pytest.approx(0.05, abs=5e-4)
    rng = np.random.default_rng(4)
    share, lines = likelihood.line_share(rng.standard_normal((64, 4000)))
    assert lines == 29
    chances = [likelihood.line_chance(float(each), lines) for each in share]
    assert stats.kstest(chances, "uniform").pvalue > 1e-3


def test_whitening_finds_an_autoregression():
    # x[k] = 0.5 x[k-1] - 0.3 x[k-2] + e: factors within four standard errors, 1/sqrt(n).
    rng, n, m = np.random.default_rng(5), 4000, 4
    e = rng.standard_normal((n, m, 2))
    known, past = nothing_learnt(m, 2), np.zeros((2, m, 2))
    out = np.zeros((n, m, 2))
    good = np.ones(m, bool)
    for k in range(n):
        x = 0.5 * past[0] - 0.3 * past[1] + e[k]
        known = learn(known, x, good, n // 2)
        known, out[k] = whitened(known, x, good)
        past = np.stack([x, past[0]])
    assert known.factors.reshape(-1, 2) == pytest.approx(
        np.tile([0.5, -0.3], (2 * m, 1)), abs=4 / np.sqrt(n // 2)
    )
    late = out[n // 2 + 1 :]
    assert late.std() == pytest.approx(1.0, abs=0.05)
    assert abs((late[1:] * late[:-1]).mean()) < 4 / np.sqrt(late.size)


def test_whitening_agrees_with_a_general_solver():
    # Toeplitz system by scipy: another route to the same Yule-Walker equations.
    from scipy.linalg import solve_toeplitz

    r = np.array([2.0, 0.9, 0.1, -0.2])
    factors, scale = fitted(r[None])
    expected = solve_toeplitz(r[:-1], r[1:])
    assert factors[0] == pytest.approx(expected, rel=1e-12)
    assert scale[0] ** 2 == pytest.approx(r[0] - expected @ r[1:], rel=1e-12)


def test_innovations_of_the_trend_filter():
    # 50 000 white readings; four standard errors of a variance, correlated over some 20 readings.
    trend, rng = Trend(0.9), np.random.default_rng(6)
    x, state, found = rng.standard_normal((3000, 40)), np.zeros((40, 2)), []
    for row in x:
        found.append(row - trend.expect(state))
        state = trend.after(state, row, np.ones(40, bool))
    tail = np.array(found)[200:]
    assert tail.var() == pytest.approx(trend.variance, rel=4 * np.sqrt(2 * 3 / tail.size))
