"""For any scenario of the schema: a result with finite figures, or one message.

`python tests/fuzz.py --minutes N` looks for longer.
"""

import random

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.mutated import good, mutated, outcome


def test_the_scenario_that_all_others_are_made_from_is_accepted():
    assert outcome(good()) == "accepted"


@settings(
    max_examples=100, deadline=None, derandomize=True, database=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)  # fmt: skip
@given(st.randoms(use_true_random=False))
def test_any_scenario_ends_in_finite_figures_or_one_message(rng):
    outcome(mutated(rng))


def test_the_scenarios_reach_both_ends():
    ends = [outcome(mutated(random.Random(seed))) for seed in range(60)]
    accepted = ends.count("accepted")
    assert 6 <= accepted <= 54, accepted
