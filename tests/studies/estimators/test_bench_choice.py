"""The recommendation on rows made by hand: each rule decides once."""

import pytest

from sim.studies.estimators.choice import AdverseCondition, Standing, recommend, standings


def standing(name, **changes):
    base = Standing(name, 0.02, 0.016, 0.0, 0.0, 0.0, (), 18.0, 0, 10_000)
    return base._replace(**changes)


def trouble(error_px, lost=0.0, name="ghost 5"):
    return AdverseCondition(name, error_px, 0.016, lost)


def test_the_cheaper_of_two_equals():
    choice = recommend([standing("dear", multiply_adds=90_000), standing("cheap")])
    assert choice.estimator == "cheap"
    assert "90000 multiply-adds" in choice.passed_over["dear"]
    assert any("1.25 times the bound" in reason for reason in choice.reasons)


@pytest.mark.parametrize(
    "fault", [{"failure_rate": 0.02}, {"false_accept_rate": 0.02}, {"wrong_rate": 0.002}]
)
def test_who_does_not_read_reliably_is_out_however_good(fault):
    choice = recommend([standing("sharp", corrected_px=0.001, multiply_adds=1, **fault),
                        standing("sound")])  # fmt: skip
    assert choice.estimator == "sound"
    assert "not read" in choice.passed_over["sharp"]


def test_bias_counts_through_the_calibrated_error():
    choice = recommend([standing("bent", corrected_px=0.03, multiply_adds=10), standing("true")])
    assert choice.estimator == "true"
    assert "calibrated error 0.0300 px" in choice.passed_over["bent"]


def test_who_stands_more_troubles_goes_before_who_is_cheap():
    choice = recommend([
        standing("cheap", multiply_adds=10, adverse_conditions=(trouble(0.05),)),
        standing("steady", adverse_conditions=(trouble(0.03),)),
        standing("loses", multiply_adds=10, adverse_conditions=(trouble(0.02, lost=0.3),)),
    ])  # fmt: skip
    assert choice.estimator == "steady"
    assert "ghost 5 (0.0500 px)" in choice.passed_over["cheap"]
    assert "30.0 % lost or wrong" in choice.passed_over["loses"]


def test_the_loop_decides_between_those_left():
    choice = recommend([standing("late", loop_rms_urad=25.0, multiply_adds=10), standing("calm")])
    assert choice.estimator == "calm"
    assert "25.00 urad" in choice.passed_over["late"]
    lossy = [standing("loses", lost_frames=3, multiply_adds=10), standing("holds")]
    assert recommend(lossy).estimator == "holds"


def test_about_as_cheap_goes_by_the_worst_trouble():
    choice = recommend([
        standing("a", multiply_adds=10_000, adverse_conditions=(trouble(0.031),)),
        standing("b", multiply_adds=10_900, adverse_conditions=(trouble(0.020),)),
        standing("c", multiply_adds=11_100, adverse_conditions=(trouble(0.017),)),
    ])  # fmt: skip
    assert choice.estimator == "b"


def test_nobody_may_be_good_enough():
    choice = recommend([standing("blind", failure_rate=1.0, corrected_px=None)])
    assert choice.estimator is None
    assert "blind" in choice.passed_over


def test_nobody_to_choose_from():
    with pytest.raises(ValueError, match="at least one estimator"):
        recommend([])


def test_everybody_but_the_choice_has_a_reason():
    everybody = [standing(str(i), multiply_adds=10_000 + 500 * i) for i in range(5)]
    choice = recommend(everybody)
    assert {choice.estimator, *choice.passed_over} == {s.estimator for s in everybody}


def test_standings_gather_the_troubles_that_count():
    row = {
        "estimator": "a", "axis": "nominal", "value": None, "corrected_px": 0.02, "bound_px": 0.016,
        "failure_rate": 0.0, "false_accept_rate": 0.0, "wrong_rate": 0.0, "multiply_adds": 5,
        "rms_error_px": 0.02,
    }  # fmt: skip
    ghost = row | {"axis": "ghost", "value": 5.0, "rms_error_px": 0.07, "wrong_rate": 0.01}
    weak = ghost | {"value": 1.0}
    loop = {"estimator": "a", "rms_urad": 17.0, "lost_frames": 2}
    (one,) = standings([row, ghost, weak], [loop], {"ghost": 5.0, "spill": 2.0})
    assert [t.name for t in one.adverse_conditions] == ["ghost 5"]
    assert not one.adverse_conditions[0].stood
    assert (one.loop_rms_urad, one.lost_frames) == (17.0, 2)
