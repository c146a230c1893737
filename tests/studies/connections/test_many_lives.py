"""A sample of a large switch, held against all connections of a small one taken for large."""

import numpy as np
import pytest

from sim.scenario.gallery import find
from sim.scenario.model import load_scenario
from sim.studies.connections import many_lives as lives
from sim.studies.connections.end_of_life import Years
from sim.studies.connections.table import Maker

SCENARIO = load_scenario(
    find("harrow_point_switch"),
    ("switch.geometry.ports_per_side=16", "switch.geometry.columns=4",
     "switch.budget.ports_in_service=15", "switch.budget.end_of_life_db=1.9"),
)  # fmt: skip
ALL = np.arange(256)


def test_a_sample_finds_the_largest_of_all_and_estimates_those_left_out(monkeypatch):
    seed = SCENARIO.seeds.population
    table = Maker(SCENARIO.switch, SCENARIO.mirror, seed).table(*np.divmod(ALL, 16))
    whole, columns = lives.many_lives(SCENARIO, lives=12, table=table)
    assert whole["sample"] is None and whole["looked_at"] == 256
    monkeypatch.setattr(lives, "WHOLE", 100)
    monkeypatch.setattr(lives, "SAMPLE", 64)
    monkeypatch.setattr(lives, "HIGHEST", 24)
    some, sampled = lives.many_lives(SCENARIO, lives=12, table=table)
    assert some["looked_at"] == 64
    # The largest of each life is among the 64 and 24: independently, from all 256.
    years = Years(SCENARIO.switch, SCENARIO.mirror)
    each = years.late(years.new(seed), np.arange(12)).db
    assert some["max_db"] == pytest.approx(each.max(), abs=1e-12)
    assert some["max_db"] == pytest.approx(whole["max_db"], abs=1e-12)
    met = np.mean(each.max(axis=1) <= 1.9)
    assert some["share_of_lives_met"]["value"] == pytest.approx(met) and 0.0 < met < 1.0
    # What stands in the table of the sample is what the whole switch has there.
    at = 16 * sampled["input"] + sampled["output"]
    assert len(set(at)) == 64
    for ports in (sampled["input"], sampled["output"]):  # every port, four times each or nearly so
        assert np.bincount(ports, minlength=16).min() >= 3
    for name in ("end_of_life_db", "end_of_life_low_db", "lives_over_share"):
        np.testing.assert_allclose(sampled[name], columns[name][at], atol=1e-12)
    # The estimate: the 24 that stand highest in a life are known; no other is above it here.
    for life in range(12):
        stands = lives.LifeEstimate(years, table).of(years.drawn(seed, life))
        others = np.setdiff1d(np.argsort(stands)[:-24], at)
        assert each[life, others].max() < some["sample"]["others_estimate_db"]


def test_lives_worked_on_together_are_those_worked_on_alone():
    years = Years(SCENARIO.switch, SCENARIO.mirror, np.array([3, 77, 200]))
    new = years.new(4)
    both = years.late(new, np.array([2, 5]))
    for n, life in enumerate((2, 5)):
        one = years.late(new, life)
        np.testing.assert_allclose(both.db[n], one.db, atol=1e-12)
        np.testing.assert_allclose(both.mean_db[n], one.mean_db, atol=1e-12)
        np.testing.assert_allclose(both.added_db[:, n], one.added_db, atol=1e-12)
