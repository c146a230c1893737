"""The shipped integrator with dropped readings: its variance by the moment equation of its own law.

The figures are of another program, worked out there in closed form, by a Kronecker equation and
by Monte Carlo, for e' = e - K g (e + n) + w: n of variance 1, w of variance 0.1, g = 0 with the
probability p. The background is Sinopoli et al., IEEE Trans. Automatic Control 49 (2004) 1453
(its title alone was seen). None is from this code.
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


D1 = {(0.3, 0.0): 0.3725490, (0.3, 0.01): 0.3745296, (0.3, 0.1): 0.3943355,
      (0.5, 0.0): 0.4666667, (0.5, 0.01): 0.4680135, (0.5, 0.1): 0.4814815}  # fmt: skip
D2 = {(0.3, 0.0): 0.5113872, (0.3, 0.01): 0.5126329, (0.3, 0.1): 0.5258619,
      (0.5, 0.0): 0.8400000, (0.5, 0.01): 0.8379403, (0.5, 0.1): 0.8213508}  # fmt: skip


@pytest.mark.parametrize(("gain", "dropped"), D1)
def test_a_reading_acts_in_the_next_frame(gain, dropped):
    assert variance(gain, 1, dropped) == pytest.approx(D1[gain, dropped], abs=6e-8)
    # In closed form: the noise part is free of p.
    rest = WALK / ((1 - dropped) * gain * (2 - gain))
    assert variance(gain, 1, dropped) == pytest.approx(gain * NOISE / (2 - gain) + rest, rel=1e-12)


@pytest.mark.parametrize(("gain", "dropped"), D2)
def test_a_reading_acts_a_frame_later_and_drops_can_calm_a_loop_of_high_gain(gain, dropped):
    assert variance(gain, 2, dropped) == pytest.approx(D2[gain, dropped], abs=6e-8)


def test_a_lost_reading_is_skipped_not_repeated():
    # Taking the stale reading again would give 0.4285714 at K = 0.3, and 0.5840000 at 0.5.
    assert variance(0.3, 1, 0.1) < 0.40
    assert variance(0.5, 1, 0.1) < 0.49


@pytest.mark.parametrize(
    ("frames", "gain", "least"), [(1, 0.282376, 0.393487), (2, 0.229042, 0.499708)]
)
def test_best_gain_where_a_tenth_is_dropped(frames, gain, least):
    found = minimize_scalar(
        lambda k: variance(k, frames, 0.1), bounds=(0.05, 0.6), method="bounded",
        options={"xatol": 1e-9},
    )  # fmt: skip
    assert found.x == pytest.approx(gain, abs=2e-6)
    assert found.fun == pytest.approx(least, abs=6e-7)


@pytest.mark.parametrize(("length", "wanted"), [(2, 0.403224), (5, 0.433224), (10, 0.483224)])
def test_bursts_cost_more_than_the_same_share_one_by_one(length, wanted):
    leave = 1 / length  # a burst ends with this probability a frame
    enter = leave * 0.1 / 0.9  # so that a tenth is dropped
    found = variance(0.3, 1, 0.1, (1 - enter, enter), (leave, 1 - leave))
    assert found == pytest.approx(wanted, abs=6e-7)
