"""The shipped integrator with dropped readings: its variance by the moment equation of its own law.

Held against closed forms for e' = e - K g (e + n) + w, n of variance 1, w of variance 0.1, g = 0
with the probability p, that are derived beside each test from the moments of e, without matrices.
The background is Sinopoli et al., IEEE Trans. Automatic Control 49 (2004) 1453 (its title alone
was seen).
"""

import numpy as np
import pytest
from scipy.optimize import minimize_scalar

from controllers.integrator import Integrator, IntegratorParams
from sim.foundations.ports import PlantBelief

PLANT = PlantBelief(1e-3, 3e-4, 1e-3, 5e-5, (2 * np.pi * 700,) * 2, (8.0, 8.0), 4e-5, 0.075)
WALK, NOISE = 0.1, 1.0


def loop(gain, frames):
    """Loop about the shipped law, for a spot seen and lost: (matrix, from walk, from noise).

    The state is the last corrections less the disturbance, newest first; the error that a reading
    sees is minus the oldest. A mirror follows at once.
    """
    law = Integrator(IntegratorParams(integral_per_frame=gain), PLANT).linear_law()
    assert not len(law.sections) and not len(law.conditional)
    found = []
    for part, seen in ((law.seen, 1.0), (law.lost, 0.0)):
        d, h = float(part.D[0, 0]) * seen, float(part.H[0, 0])
        matrix = np.eye(frames, k=-1)
        matrix[0] = 0.0
        matrix[0, 0] += h
        matrix[0, -1] -= d
        noise = np.zeros(frames)
        noise[0] = d
        found.append((matrix, -np.ones(frames), noise))
    return found


def variance(gain, frames, dropped, next_seen=None, next_lost=None):
    """Variance of the error before a reading; drops are independent, or Markov (see `bursts`)."""
    both = loop(gain, frames)
    shares = np.array([1 - dropped, dropped])
    # What comes after a reading that was seen, and after one that was lost.
    turn = np.array([shares, shares]) if next_seen is None else np.array([next_seen, next_lost])
    size = frames**2
    system, right = np.eye(2 * size), np.zeros(2 * size)
    for i, (matrix, walk, noise) in enumerate(both):
        added = WALK * np.outer(walk, walk) + NOISE * np.outer(noise, noise)
        for j in range(2):
            block = turn[i, j] * np.kron(matrix, matrix)
            system[j * size : (j + 1) * size, i * size : (i + 1) * size] -= block
            right[j * size : (j + 1) * size] += turn[i, j] * shares[i] * added.ravel()
    # Moments of each kind of frame, times its share, add up.
    moments = np.linalg.solve(system, right).reshape(2, frames, frames).sum(axis=0)
    return moments[-1, -1]


def next_frame(gain, dropped):
    """P = P - (1 - p)(2 K - K^2) P + (1 - p) K^2 + q: the noise part is free of p."""
    return (gain * NOISE + WALK / ((1 - dropped) * gain)) / (2 - gain)


def frame_later(gain, dropped):
    """With e'' = e' - K g (e + n) + w, and Q the mean of e' e: Q = P - (1 - p) K Q, and
    2 Q = K (P + 1) + q / ((1 - p) K)."""
    seen = 1 - dropped
    return (gain * NOISE + WALK / (seen * gain)) / (2 / (1 + seen * gain) - gain)


SHARES = [(gain, dropped) for gain in (0.3, 0.5) for dropped in (0.0, 0.01, 0.1)]


@pytest.mark.parametrize(("gain", "dropped"), SHARES)
def test_a_reading_acts_in_the_next_frame(gain, dropped):
    assert variance(gain, 1, dropped) == pytest.approx(next_frame(gain, dropped), rel=1e-12)


@pytest.mark.parametrize(("gain", "dropped"), SHARES)
def test_a_reading_acts_a_frame_later(gain, dropped):
    assert variance(gain, 2, dropped) == pytest.approx(frame_later(gain, dropped), rel=1e-12)


def test_drops_can_calm_a_loop_of_high_gain():
    # 0.8400 and 0.8214 by the closed form.
    assert variance(0.5, 2, 0.1) < 0.98 * variance(0.5, 2, 0.0)


def test_a_lost_reading_is_skipped_not_repeated():
    # Taking the stale reading again would give 0.4285714 at K = 0.3, and 0.5840000 at 0.5.
    assert variance(0.3, 1, 0.1) < 0.40
    assert variance(0.5, 1, 0.1) < 0.49


@pytest.mark.parametrize("form", [next_frame, frame_later])
def test_best_gain_where_a_tenth_is_dropped(form):
    # 0.2824 and 0.2290: a minimum of one law is one of the other.
    best = minimize_scalar(
        lambda k: form(k, 0.1), bounds=(0.05, 0.6), method="bounded", options={"xatol": 1e-9}
    )
    frames = 1 if form is next_frame else 2
    here = variance(best.x, frames, 0.1)
    assert here < min(variance(best.x + off, frames, 0.1) for off in (-1e-4, 1e-4))


@pytest.mark.parametrize("length", [2, 5, 10])
def test_bursts_cost_more_than_the_same_share_one_by_one(length):
    """The mean of e^2 over seen frames and over lost ones, S and L: what one frame changes sums to
    nothing, K (2 - K) S = 0.9 K^2 + q; and leave L = enter A + (1 - leave) 0.1 q, A what follows a
    frame that was seen."""
    gain, leave = 0.3, 1 / length  # a burst ends with this probability a frame
    enter = leave * 0.1 / 0.9  # so that a tenth is dropped
    seen = (0.9 * gain**2 * NOISE + WALK) / (gain * (2 - gain))
    after = (1 - gain) ** 2 * seen + 0.9 * (gain**2 * NOISE + WALK)
    lost = (enter * after + (1 - leave) * 0.1 * WALK) / leave
    found = variance(gain, 1, 0.1, (1 - enter, enter), (leave, 1 - leave))
    assert found == pytest.approx(seen + lost, rel=1e-12)
    assert found > variance(gain, 1, 0.1)
