"""Mechanisms on paper: sums, largest of many, refusals."""

import json

import numpy as np
import pytest
from click.testing import CliRunner
from scipy import stats
from scipy.integrate import trapezoid

from sim.cli.main import cli
from sim.foundations.errors import ScenarioError
from sim.studies.compare.model import CompareParams, compare, load_comparison


def params(**changes) -> CompareParams:
    mechanism = {
        "name": "m", "kind": "two_mirrors", "move_ms": 100.0, "move_sd_ms": 10.0,
        "parts_db": [[1.0, 0.1], [0.5, 0.2]], "holds_without_power": False, **changes,
    }  # fmt: skip
    return CompareParams(
        connections=100, rewire=[1, 10, 100], longest_outage_s=0.125, limit_db=2.0,
        mechanisms=[mechanism],
    )  # fmt: skip


def test_one_mover_takes_the_sum_of_its_moves():
    (one,) = compare(params(movers=1, plan_ms=500.0))
    for row in one.rewired:
        assert row.median_s == pytest.approx(0.5 + 0.1 * row.k, abs=4 * 0.01 * np.sqrt(row.k) / 10)


def test_all_at_once_take_as_long_as_the_slowest():
    """Mean of the largest of n normals: 1.5387527 for 10, 2.5075936 for 100 (quadrature)."""
    (one,) = compare(params())
    for row, most in zip(one.rewired, (0.0, 1.5387527, 2.5075936), strict=True):
        # The median of the largest lies below its mean by some hundredths; 400 orders are drawn.
        assert row.median_s == pytest.approx(0.1 + 0.01 * most, abs=1.8e-3)
    # 99 % of single moves stay below 0.1 + 2.33 * 0.01 s; of ten at once, only below 0.13 s.
    assert one.most == 1


def test_two_and_a_thousand_at_once():
    """Mean of the largest of 2 and 1000 normals: 0.5641896 and 3.2414358; median of 1000: 3.197590.

    By two quadratures; of two the median is below its mean: P(both < x) = 1/2 at 0.544952.
    """
    many = params().model_copy(update={"connections": 1000, "rewire": (2, 1000)})
    (one,) = compare(many)
    for row, median in zip(one.rewired, (0.544952, 3.197590), strict=True):
        # 400 orders: the median is known to some 1.25 sd / 20, 0.52 and 0.22 ms.
        assert row.median_s == pytest.approx(0.1 + 0.01 * median, abs=1.6e-3)
    grid = np.linspace(-12.0, 12.0, 48001)
    for n, mean in ((2, 0.5641896), (1000, 3.2414358)):
        law = stats.norm.cdf(grid) ** n
        assert trapezoid(np.heaviside(grid, 0.5) - law, grid) == pytest.approx(mean, abs=1e-6)


def test_losses_add_as_independent_parts():
    (one,) = compare(params())
    assert one.loss_mean_db == pytest.approx(1.5, abs=0.01)
    assert one.loss_db.std() == pytest.approx(np.hypot(0.1, 0.2), rel=0.03)
    assert one.within == pytest.approx(0.9873, abs=0.004)  # normal: 0.5 dB is 2.236 sd


def test_the_command_files_its_example(tmp_path):
    out = tmp_path / "o"
    outcome = CliRunner().invoke(cli, ["compare", "--out", str(out)])
    assert outcome.exit_code == 0, outcome.output
    results = json.loads((out / "compare.json").read_text())
    assert [m["kind"] for m in results["mechanisms"]] == [
        "two_mirrors", "one_by_one", "two_collimators",
    ]  # fmt: skip
    assert (out / "mechanisms.toml").exists() and (out / "report.html").exists()


@pytest.mark.parametrize(
    "text, message",
    [
        ("connections = 4\nrewire = [5]\nlongest_outage_s = 1\nlimit_db = 1\n[[mechanisms]]\n"
         'name = "a"\nkind = "two_mirrors"\nmove_ms = 1\nparts_db = [[0.1, 0.0]]\n'
         "holds_without_power = true\n", "rewire: must not exceed"),
        ("conections = 4\n", "conections"),
        ("x = \n", "not valid TOML"),
    ],
)  # fmt: skip
def test_bad_figures_are_one_message(tmp_path, text, message):
    path = tmp_path / "m.toml"
    path.write_text(text)
    with pytest.raises(ScenarioError, match=message):
        load_comparison(path)
    with pytest.raises(ScenarioError, match="cannot be read"):
        load_comparison(tmp_path / "none.toml")
