"""Price and recommendation on rows and scores made by hand."""

import numpy as np
import pytest

from sim.camera.conditions import EstimatorComparisonParams, WeightsParams
from sim.camera.processor import ProcessorParams
from sim.studies.estimators.cases import JudgedPoint, chosen_cases, conditions
from sim.studies.estimators.cases import judged_points as all_cases
from sim.studies.estimators.choice import CandidateScore, lead, recommend
from sim.studies.estimators.price import (
    ConditionPrice,
    condition_square_px2,
    cost_factor,
    mean_prices,
    prices,
)

RULES = EstimatorComparisonParams(noise_passed=0.05)
CLEAN = {
    "failure_rate": 0.0, "wrong_rate": 0.0, "false_accept_rate": 0.0, "scatter_px": 0.02,
    "bias_rms_px": 0.0, "rms_error_px": 0.02,
}  # fmt: skip


def score(name, *price_px, factor=1.0, **changes):
    ghost = ConditionPrice("ghost", 0.1, 0.02, 0.0, 0.0)
    base = CandidateScore(name, price_px, factor, 10_000, [ghost])
    return base._replace(**changes)


def square(fixed=False, **changes):
    return condition_square_px2(CLEAN | changes, CLEAN, fixed, RULES)


def test_noise_is_priced_by_what_the_loop_passes_and_bias_in_full():
    # By hand: an integrator of gain g passes g / (2 - g) of white noise (exact, geometric series).
    assert square() == pytest.approx(0.05 * 0.02**2)
    assert square(bias_rms_px=0.03) == pytest.approx(0.05 * 0.02**2 + 0.03**2)


def test_what_differs_between_windows_but_stays_is_bias():
    total = {"scatter_px": 0.3, "rms_error_px": 0.3}
    assert square(True, **total) == pytest.approx(0.05 * 0.02**2 + 0.3**2 - 0.02**2)
    assert square(False, **total) == pytest.approx(0.05 * 0.3**2)


def test_one_percent_wrong_costs_more_than_lost_and_lost_more_than_noisy():
    noisy, lost, wrong = (
        square(scatter_px=0.1, rms_error_px=0.1),
        square(failure_rate=0.01),
        square(wrong_rate=0.01),
    )
    assert square() < lost < wrong
    assert noisy - square() < lost - square()


def test_prices_have_no_cliffs():
    """A thousandth more of anything changes the price by less than a thousandth of its range."""
    for key, values in (
        ("failure_rate", np.linspace(0, 0.99, 991)),
        ("wrong_rate", np.linspace(0, 0.99, 991)),
        ("bias_rms_px", np.linspace(0, 1, 1001)),
    ):
        squares = [square(**{key: float(value)}) for value in values]
        assert np.abs(np.diff(squares)).max() < 2.1e-3
        assert np.all(np.diff(squares) >= 0)


def test_all_lost_has_a_price_and_no_error():
    gone = {"failure_rate": 1.0, "scatter_px": None, "rms_error_px": None, "bias_rms_px": None}
    assert square(**gone) == pytest.approx(RULES.lost_px**2)


def test_overall_price_is_the_weighted_rms_with_the_loop_for_the_camera_as_it_is():
    counted = [JudgedPoint("nominal", "nominal", None, 1.0, False),
               JudgedPoint("ghost", "ghost", 5.0, 0.1, False)]  # fmt: skip
    rules = RULES.replace(weights=WeightsParams(dark=0).model_dump())
    ghost = CLEAN | {"bias_rms_px": 0.2}
    total, parts = prices([CLEAN, ghost], counted, rules, loop_px=0.01)
    ghost_px2 = 0.05 * 0.02**2 + 0.2**2
    assert total == pytest.approx(np.sqrt((0.01**2 + 0.1 * ghost_px2) / 1.1))
    assert [p.name for p in parts] == ["nominal", "ghost"]
    both = mean_prices([parts, [p._replace(price_px=0.0) for p in parts]])
    assert both[1].price_px == pytest.approx(np.sqrt(ghost_px2 / 2))


def test_a_weight_of_zero_leaves_a_condition_out(demo):
    names = [c.name for c in conditions(demo, WeightsParams(ghost=0, spill=0.2))]
    assert "ghost" not in names and "spill" in names and names[0] == "nominal"


def test_tenfold_arithmetic_is_worth_the_stated_part():
    assert cost_factor(30_000, [3000, 30_000], 10) == pytest.approx(1.1)
    assert cost_factor(3000, [3000], 10) == 1.0
    assert cost_factor(None, [3000, 30_000], 10) == pytest.approx(1.1)


def test_the_processor_turns_a_count_into_time():
    # By hand: 2920 multiply-adds x 192 spots / 8000 per us = 70.08 us.
    assert ProcessorParams(multiply_adds_per_us=8000).compute_us(2920, 192) == pytest.approx(70.08)
    assert ProcessorParams(multiply_adds_per_us=1, spots=3).compute_us(10, 192) == 30


def test_the_least_price_is_recommended_with_how_sure_that_is():
    choice = recommend([
        score("good", 0.010, 0.011, 0.010, 0.011),
        score("worse", 0.020, 0.021, 0.020, 0.021),
    ])  # fmt: skip
    assert choice.estimator == "good"
    assert (choice.sets_won, choice.sets, choice.equals) == (4, 4, ())
    assert any("Best in 4 of 4 seeds" in reason for reason in choice.reasons)
    assert "behind" in choice.passed_over["worse"]


def test_a_lead_within_chance_gives_the_cheaper_and_says_so():
    choice = recommend([
        score("dear", 0.010, 0.012, 0.010, 0.012, factor=1.0005),
        score("cheap", 0.012, 0.010, 0.012, 0.0101),
    ])  # fmt: skip
    assert choice.estimator == "cheap"
    assert choice.equals == ("dear",)
    assert any("chance does not separate" in reason for reason in choice.reasons)
    assert "equal but for chance" in choice.passed_over["dear"]


def test_lead_is_a_part_with_a_standard_error():
    ahead, error = lead(np.log([0.9, 0.8]), np.log([1.0, 1.0]))
    assert ahead == pytest.approx(0.15)
    assert error == pytest.approx(np.std([0.1, 0.2], ddof=1) / np.sqrt(2))


def test_one_over_the_deadline_is_ruled_out_by_name():
    late = score("late", 0.001, 0.001, ruled_out="late: 900 us of arithmetic")
    choice = recommend([late, score("slow", 0.1, 0.1)])
    assert choice.estimator == "slow"
    assert choice.passed_over["late"].startswith("late: 900 us")
    assert recommend([late]).estimator is None


def test_nothing_to_choose_from():
    with pytest.raises(ValueError, match="must hold estimators"):
        recommend([])


def test_every_other_has_a_reason():
    each = [score(str(i), 0.01 + 0.001 * i, 0.0101 + 0.001 * i) for i in range(5)]
    choice = recommend(each)
    assert {choice.estimator, *choice.passed_over} == {s.estimator for s in each}


def test_single_axes_and_points(demo):
    every = all_cases(demo)
    found = chosen_cases(every, ["motion"], ["ghost=5"])
    assert {c.axis for c in found} == {"nominal", "motion", "ghost"}
    assert [c.value for c in found if c.axis == "ghost"] == [5.0]
    for axes, points, message in (
        (["ghosts"], [], 'unknown axis "ghosts". Did you mean "ghost"'),
        ([], ["ghost=6"], "no such point; ghost has 1, 2, 5, 10, 20"),
        ([], ["ghost"], 'needs "axis=value"'),
    ):
        with pytest.raises(ValueError, match=message):
            chosen_cases(every, axes, points)
