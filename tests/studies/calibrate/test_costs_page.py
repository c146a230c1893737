"""Costs and rates as the page words them where there is no plain number."""

import pytest

from sim.calibration.procedure import Estimate
from sim.results.limits import LimitsParams
from sim.studies.calibrate import page, plots
from sim.studies.calibrate.confusion import Rate
from sim.studies.calibrate.cost import CALIBRATED, EXACT, SHEET, Costs, Outcome

GOOD = Outcome(7.0, 7.5, 0, 8.0, 15.0, 0.003, 0.02, 0)
DARK = Outcome(None, None, 192, 4000.0, 4000.0, 24.0, 1300.0, 0)
DARKER = DARK._replace(excess_max_db=900.0, excess_mean_db=25.0, unsettled=190)


def table(costs: Costs, k: int) -> list[str]:
    return [cells[-1] for cells in page._cost_tables(costs)[k].rows]


def test_differences_of_dark_losses_are_no_figures() -> None:
    """1300 dB less 900 dB means nothing: there is no light in either."""
    costs = Costs({EXACT: GOOD, CALIBRATED: DARK, SHEET: DARK}, {"a": DARK, "b": GOOD},
                  {"a": DARKER, "b": GOOD})  # fmt: skip
    assert table(costs, 0) == ["dark", "+0.0000"]
    assert table(costs, 1) == ["dark in both", "no longer dark"]
    first = page._cost_tables(costs)[1].rows[0]
    assert first[1] == "never" and first[2] == "-2" and first[4] == "+1.0000"


@pytest.mark.parametrize(
    ("each", "words"),
    [(GOOD, ("settling, slowest", "loss, largest")), (DARK, ("that never settle", "loss, mean"))],
)
def test_no_axis_is_empty(monkeypatch: pytest.MonkeyPatch, each: Outcome, words) -> None:
    """Where nothing settles, how many do not; where all is dark, the mean."""
    seen = []
    monkeypatch.setattr(
        plots, "finish",
        lambda figure: seen.extend(
            (axes.get_xlabel(), sum(len(line.get_xdata()) for line in axes.lines))
            for axes in figure.axes
        ) or "data:,",
    )  # fmt: skip
    costs = Costs(dict.fromkeys((EXACT, CALIBRATED, SHEET), each), {"a": each}, {"a": each})
    plots.costs_picture(costs)
    assert [count for _, count in seen] == [5, 5]
    assert all(word in label for word, (label, _) in zip(words, seen, strict=True))


def test_rates_without_a_case_have_no_interval() -> None:
    assert page.rate_words(Rate(0.0, None, None, 0), 8) == "none in 8 runs"
    assert page.rate_words(Rate(11525.6, 6788.9, 16262.3, 8), 8) == "1.15 % (0.679 to 1.63)"


def test_limits_of_settling_and_loss_are_judged_as_calibrated() -> None:
    """7.5 of 20 ms and 0.02 of 0.01 dB: the loss is missed, and named first."""
    limits = LimitsParams(settling_max_ms=20.0, excess_max_db=0.01)
    assert page.limits_of(GOOD, None) == []
    words = page.limits_of(GOOD, limits)
    assert [met for _, met in words] == [False, True]
    assert words[0][0].startswith("largest misalignment loss 0.02")
    assert words[1][0] == "slowest settling 7.50 of 20 ms"
    assert not page.limits_of(DARK, limits)[0][1]


def test_what_is_left_names_its_measure() -> None:
    more = GOOD._replace(excess_mean_db=0.004, excess_max_db=0.021)
    pixels = GOOD._replace(excess_mean_db=0.0035, excess_max_db=0.03)
    costs = Costs(dict.fromkeys((EXACT, CALIBRATED, SHEET), GOOD), {"map": more, "pixels": pixels},
                  {})  # fmt: skip
    assert page._left_words(costs).endswith("of the mean loss: map; of the largest loss: pixels.")


def test_an_error_beyond_what_was_foreseen_is_named() -> None:
    """0.0411 % rms for 0.0237 foreseen is 1.73 times it; a count has nothing foreseen."""
    row = Estimate("actuator staircase", "gain error", "% rms", 0.0237, None, None, 0.0411)
    assert page.is_larger(row) and not page.is_larger(row._replace(truth=0.03))
    assert not page.is_larger(row._replace(unit=""))
