"""How far states in words can go: exact rational arithmetic, all reachable states, worst inputs."""

from fractions import Fraction
from itertools import product

import numpy as np
import pytest

from sim.firmware.fixed_law import FixedLaw, FixedState, Formats, fixed_hand_over, fixed_step
from sim.firmware.q_format import QFormat
from sim.firmware.rounding import Rounding
from sim.firmware.state_bounds import LargestInputs, Way, largest_inputs, over_frames, state_bounds
from sim.firmware.worst_inputs import growing_order, states_reached, worst_inputs
from tests.firmware.test_rounding_noise import CASES, made

LINE = {
    "drift_urad_per_sqrt_s": 30.0, "noise_urad": 30.0, "control_weight": 1.0,
    "lines": [{"frequency_hz": 120.0, "bandwidth_hz": 20.0, "rms_urad": 5.0}],
}  # fmt: skip


def small_law(seen, lost, rounding="up", bits=12):
    """A law of two states in words, coefficients over 16; columns: mismatch, states, correction."""
    word = QFormat(bits, 0)
    rows = np.zeros((2, 1, 2, 3, 4), np.int64)
    for which, part in enumerate((seen, lost)):
        rows[which, :, :, :2] = part
        rows[which, ..., 2, 1] = 16
    return FixedLaw(
        Formats(word, word, word, (word, word), QFormat(24, 0)), np.zeros((0, 1, 2, 5), np.int64),
        0, rows, np.full((2, 3), 4), np.zeros(2, bool), np.zeros(2, bool),
        np.zeros((1, 2, 2), np.int64), np.zeros(2, np.int64), Rounding(rounding),
    )  # fmt: skip


# Seen: an observer that pulls both states to the reading. Lost: the first turns on by itself and
# fades, the second stands still.
SEEN = [[5, 6, -3, 4], [7, -2, 8, 0]]
LOST = [[0, 9, -6, 4], [0, 0, 16, 0]]


def reachable(law, mismatch, correction):
    """Return the largest magnitudes over all states that can be reached, found one by one."""
    met, front = {(0, 0)}, {(0, 0)}
    parts = [[-most, -most // 3, 0, 1, most] for most in (mismatch, correction)]
    inputs = list(product(*parts))
    while front:
        states = np.array(sorted(front), np.int64)
        after = set()
        for e, u in inputs:
            for seen in (True, False):
                if not seen and e:
                    continue
                m = len(states)
                both = np.repeat(states[:, None, :], 2, axis=1)
                state = FixedState(
                    both, np.ones((m, 2), bool), np.full((m, 2), u), np.zeros((m, 2, 0, 2), int),
                    np.zeros((m, 2), int),
                )  # fmt: skip
                edge = np.full((m, 2), u)
                found = fixed_step(
                    law, state, np.full((m, 2), e), np.full((m, 2), seen), edge, edge
                ).states[:, 0]
                after |= set(map(tuple, found.tolist()))
        front = after - met
        met |= after
    return np.abs(np.array(sorted(met))).max(axis=0)


@pytest.mark.parametrize("rounding", ["up", "floor", "even"])
def test_no_reachable_state_of_a_small_law_is_beyond_and_some_come_near(rounding):
    """Every state that five mismatches and five corrections lead to, in any order of frames."""
    law = small_law(SEEN, LOST, rounding)
    most = reachable(law, 30, 20)
    bounds = state_bounds(law, LargestInputs(30.0, 30.0, 20.0))
    assert (most <= bounds.any_order).all()
    assert (most >= 0.5 * bounds.any_order).all()
    assert (bounds.seen <= bounds.any_order).all()


def test_a_bound_is_that_of_exact_rational_arithmetic():
    """T = max over orders w of |A_w| T + h_w over six frames, in fractions, is what is found."""
    e, u = Fraction(300), Fraction(500)
    parts = []
    for which, rows in ((0, SEEN), (1, LOST)):
        a = [[Fraction(rows[i][1 + j], 16) for j in (0, 1)] for i in (0, 1)]
        comes = [[Fraction(rows[i][0], 16) * e, Fraction(rows[i][3], 16) * u] for i in (0, 1)]
        exact = [all(c % 16 == 0 for c in rows[i][which:]) for i in (0, 1)]
        parts.append((a, comes, [Fraction(0 if each else 1, 2) for each in exact]))
    words = [([[Fraction(1), Fraction(0)], [Fraction(0), Fraction(1)]], [Fraction(0)] * 2)]
    for _ in range(6):
        longer = []
        for m, h in words:
            for a, comes, error in parts:
                more = [
                    h[i]
                    + sum(abs(m[i][0] * comes[0][k] + m[i][1] * comes[1][k]) for k in (0, 1))
                    + sum(abs(m[i][j]) * error[j] for j in (0, 1))
                    for i in (0, 1)
                ]
                after = [
                    [m[i][0] * a[0][j] + m[i][1] * a[1][j] for j in (0, 1)] for i in (0, 1)
                ]
                longer.append((after, more))
        words = longer
    ways = tuple(
        Way(np.array(a, float), np.array(comes, float), np.array(error, float))
        for a, comes, error in parts
    )
    found = over_frames(ways, np.zeros(2), 6)
    exact_found = [Fraction(x) for x in found]
    for m, h in words:
        for i in (0, 1):
            goes = h[i] + sum(abs(m[i][j]) * exact_found[j] for j in (0, 1))
            assert goes <= exact_found[i]
    # And not more than it must be: a hundred thousandth less is no bound any more.
    less = [x * (1 - Fraction(1, 100_000)) for x in exact_found]
    goes = [h[i] + abs(m[i][0]) * less[0] + abs(m[i][1]) * less[1] - less[i]
            for m, h in words for i in (0, 1)]  # fmt: skip
    assert max(goes) > 0


def test_with_one_way_to_go_on_the_bound_is_the_sum_of_the_impulse_response():
    """By hand: x' = 0.9 x + u + rounding, so (U + 1/2) / (1 - 0.9)."""
    way = Way(np.array([[0.9]]), np.array([[100.0]]), np.array([0.5]))
    assert over_frames((way,), np.zeros(1), 512)[0] == pytest.approx(1005.0, rel=1e-5)
    assert over_frames((way,), np.zeros(1), 512)[0] >= 1005.0
    ring = Way(np.array([[0.0, -0.81], [1.0, 0.0]]), np.array([[1.0], [0.0]]), np.zeros(2))
    # Impulse response 1, 0, -0.81, 0, 0.81^2, ...: the sum of magnitudes is 1 / (1 - 0.81).
    assert over_frames((ring,), np.zeros(2), 512)[0] == pytest.approx(1 / 0.19, rel=1e-5)
    assert np.isinf(over_frames((Way(np.eye(1), np.ones((1, 1)), np.zeros(1)),), np.zeros(1), 64))


def test_a_bound_holds_for_states_that_are_taken_over_from_a_standing_correction():
    """By hand: x' = x/2 + u comes to 2 u = 200, takes over 3 u = 300; no word is rounded."""
    half = [[0, 8, 0, 16], [0, 0, 0, 0]]
    law = small_law(half, half)._replace(standing=np.full((1, 2, 2), [3, 0]))
    bound = state_bounds(law, LargestInputs(0.0, 0.0, 100.0)).any_order[0]
    assert fixed_hand_over(law, np.full((1, 2), 100)).states[0, 0, 0] == 300
    # 200, half a unit of rounding twice, the distance of 100, and the rounding of the standing.
    assert 300 <= bound == pytest.approx(200 + 1 + 100 + 1, rel=2e-4)
    rest = law._replace(standing=np.full((1, 2, 2), [2, 0]))
    assert state_bounds(rest, LargestInputs(0.0, 0.0, 100.0)).any_order[0] < 202.1


def test_a_state_that_limits_cut_off_is_free_while_its_lost_row_moves_it():
    """By hand: cut off at 100 while seen; lost, x' = x/2 + u goes on to 2 u = 200."""
    adds, half = [[16, 16, 0, 0], [0, 0, 0, 0]], [[0, 8, 0, 16], [0, 0, 0, 0]]
    given = LargestInputs(50.0, 50.0, 100.0)
    law = small_law(adds, half)._replace(conditional=np.array([True, False]))
    state, edge = fixed_hand_over(law, np.full((1, 2), 100)), np.full((1, 2), 100)
    for _ in range(30):
        lost = np.zeros((1, 2), bool)
        state = fixed_step(law, state, np.zeros((1, 2), int), lost, edge, edge)
    reached = state.states[0, 0, 0]
    assert 199 <= reached <= state_bounds(law, given).any_order[0] < 202.1
    assert state_bounds(law, given).seen[0] == pytest.approx(101, rel=1e-4)
    keeps = [[0, 16, 0, 0], [0, 0, 0, 0]]
    kept = small_law(adds, keeps)._replace(conditional=np.array([True, False]))
    assert state_bounds(kept, given).any_order[0] == 100
    grows = [[0, 32, 0, 0], [0, 0, 0, 0]]
    free = small_law(adds, grows)._replace(conditional=np.array([True, False]))
    assert np.isinf(state_bounds(free, given).any_order[0])


@pytest.mark.parametrize(
    ("kind", "settings", "least"),
    [
        pytest.param("smith", CASES["smith"][0], 0.99, id="smith"),
        pytest.param("lqg", CASES["lqg"][0], 0.75, id="lqg"),
        pytest.param("lqg", LINE, 0.3, id="lqg-line"),
        pytest.param("pid", CASES["pid"][0], 0.45, id="pid"),
    ],
)  # fmt: skip
def test_states_of_shipped_laws_are_proven_and_the_worst_inputs_come_near(kind, settings, least):
    """`least` of the bound is reached in words; the rest is what orders and signs leave open."""
    fixed = made(kind, settings, state_bits=24)
    words = [form.highest for form in fixed.law.formats.states]
    assert (fixed.bounds.any_order <= words).all()
    for state in np.flatnonzero(~(fixed.law.conditional | fixed.law.previous)):
        case = worst_inputs(fixed.law, fixed.largest, fixed.bounds, int(state))
        assert not case.leaves
        assert least * fixed.bounds.any_order[state] <= case.reached
        assert case.reached <= fixed.bounds.any_order[state]


def test_an_observer_of_a_narrow_line_leaves_its_word_in_some_order_of_lost_frames():
    """Seen once in four frames it grows; the spectral radius of the four says so, and the words."""
    fixed = made("lqg", CASES["lqg"][1], state_bits=24)
    assert np.isinf(fixed.bounds.any_order).sum() == 6  # all but the last correction
    assert (fixed.bounds.seen < [form.highest for form in fixed.law.formats.states]).all()
    case = worst_inputs(fixed.law, fixed.largest, fixed.bounds, 6)
    exact = fixed.rounded_law()
    seen, lost = exact.seen.A[0, 0], exact.lost.A[0, 0]
    assert sorted(case.period) == ["0", "0", "0", "1"]
    around = np.linalg.multi_dot([seen if each == "1" else lost for each in case.period])
    assert np.abs(np.linalg.eigvals(around)).max() > 1.03
    assert np.abs(np.linalg.eigvals(seen)).max() < 0.8  # always seen, it is stable
    assert case.leaves
    # Played once more, with words that saturate: the last frame is cut off, none before.
    states = np.array([s.states[0, 0, 6] for s in states_reached(fixed.law, case)])
    form = fixed.law.formats.states[6]
    assert abs(states[-1]) >= form.highest > np.abs(states[:-1]).max()
    assert case.reached > form.highest


def test_an_order_that_grows_is_found_and_none_where_there_is_none():
    # Two matrices that each come to rest, and whose product has the eigenvalue 0.81 * 4.
    turn, back = np.array([[0.0, 1.8], [0.0, 0.5]]), np.array([[0.5, 0.0], [1.8, 0.0]])
    order = growing_order([turn, back])
    assert sorted(order[:2].tolist()) == [0, 1]
    assert growing_order([0.9 * np.eye(2), np.eye(2)]) is None


def test_inputs_pass_sections_with_their_rounding():
    """By hand: 2 z^-1-free gain 1/(1 - 0.5) = 2 on 100 units, and half a unit through it."""
    law = small_law(SEEN, LOST)
    section = np.array([16, 0, 0, -8, 0], np.int64)
    law = law._replace(sections=np.broadcast_to(section, (1, 1, 2, 5)), section_shift=4)
    found = largest_inputs(law, mismatch_px=100.0, correction_px=50.0)
    assert found.value == pytest.approx(100 * 2 + 0.5 * 2, rel=1e-6)
    assert (found.mismatch, found.correction) == (100.0, 50.0)
    # Words of 12 bits end at -2048: a mismatch of that is one, too.
    assert largest_inputs(law, mismatch_px=1e4, correction_px=50.0).mismatch == 2048.0
