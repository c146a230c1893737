"""The search for a margin, on limits whose answer is known."""

import numpy as np
import pytest

from sim.studies.replay.margin import find_margins


def search(misses, limits=("a",), levels=(1.0,), top=64.0, closeness=1.02):
    asked = []

    def told(level):
        asked.append(level)
        return misses(level)

    found = find_margins(told, limits, levels, top=top, closeness=closeness)
    assert len(asked) == len(set(asked))  # no level is run twice
    return found


def test_thresholds_are_closed_in_from_both_sides():
    seeds = [7.0, 8.0, 9.5]
    found = search(lambda level: {"a": [level > t for t in seeds], "b": [level > 0.11] * 3}, "ab")
    a, b = found["a"], found["b"]
    assert a.low <= 7.0 <= a.first_missed and a.first_missed / a.low <= 1.02
    assert a.high >= 9.5 and a.high / 9.5 <= 1.02
    assert a.low < a.factor < a.first_missed
    # Missed at the first level already: the ladder goes down.
    assert b.low <= 0.11 <= b.high and b.high / b.low <= 1.02
    assert a.monotone and b.monotone


def test_never_missed_and_always_missed():
    found = search(lambda level: {"a": [False], "b": [True]}, "ab", top=10.0)
    assert found["a"].factor is None and found["a"].low == 10.0 and found["a"].high is None
    assert found["b"].factor is None and found["b"].low == 0.0
    assert found["b"].first_missed == pytest.approx(2.0**-6)


def test_a_limit_that_is_met_again_higher_up_is_said_to_be_not_monotone():
    found = search(lambda level: {"a": [3.0 < level < 5.0 or level > 20.0]}, levels=(1.0, 4.0))["a"]
    assert not found.monotone
    assert found.low <= 3.0 <= found.first_missed  # the lowest miss counts
    assert found.high >= 20.0


def test_seeds_that_differ_are_not_taken_for_a_missing_order():
    # One seed misses from 6 on, the other from 12 on: each is monotone by itself.
    found = search(lambda level: {"a": [level > 6.0, level > 12.0]})["a"]
    assert found.monotone
    np.testing.assert_allclose([found.factor, found.high], [6.0, 12.0], rtol=0.03)
