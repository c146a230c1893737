"""Yield: intervals, spares, what a life draws, and that connections share their ports."""

from itertools import combinations
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from sim.foundations.errors import ScenarioError
from sim.scenario.model import load_scenario
from sim.studies.built.buying import buying, excess_db, present, with_tolerances
from sim.studies.built.population import Judge, judged_population, population
from sim.studies.built.spares import least_largest, rescue
from sim.studies.connections.aim import Aimed
from sim.studies.connections.end_of_life import Years
from sim.studies.connections.intervals import clustered_interval, exact_interval, mean_intervals
from sim.studies.connections.life import draw_life
from sim.studies.connections.many_lives import lives_of, many_lives
from sim.studies.connections.table import Maker

CASE = Path(__file__).parents[3] / "scenarios" / "harrow_point_switch.toml"
SMALL = [
    "switch.geometry.ports_per_side=12", "switch.geometry.columns=4",
    "switch.budget.ports_in_service=10",
]  # fmt: skip
SCENARIO = load_scenario(CASE, SMALL)


def budget(**changes):
    return SCENARIO.switch.budget.replace(**changes)


def with_budget(**changes):
    return SCENARIO.switch.replace(budget=budget(**changes).model_dump())


# Clopper and Pearson, 95 %. The first three inputs are examples of Newcombe, Stat. Med. 17 (1998)
# 857 (inputs and four digits from memory); digits by beta quantiles and by the root of the sum.
@pytest.mark.parametrize(
    "good, count, low, high",
    [(81, 263, 0.2527367, 0.3676219), (0, 20, 0.0, 0.1684335), (1, 29, 0.0008726, 0.1776443),
     (2, 1000, 0.0002423, 0.0072058)],
)  # fmt: skip
def test_exact_intervals(good, count, low, high):
    got = exact_interval(good, count)
    assert got == pytest.approx((low, high), abs=1e-7)
    tail = stats.binom.sf(good - 1, count, got[0]) if good else 0.025
    assert tail == pytest.approx(0.025, rel=1e-6)


def test_exact_intervals_of_other_levels_and_their_coverage():
    # 4 of 20 at 90 %: NIST/SEMATECH Handbook 7.2.4.2 (the example; digits from memory).
    assert exact_interval(4, 20, 0.90) == pytest.approx((0.0713539, 0.4010281), abs=1e-7)
    assert exact_interval(0, 100)[1] == pytest.approx(0.0362167, abs=1e-7)
    # The true coverage at n = 50, p = 0.02 is above 95 %: 0.98224, by summing the binomial law.
    held = [low <= 0.02 <= high for low, high in (exact_interval(x, 50) for x in range(51))]
    assert stats.binom.pmf(np.arange(51), 50, 0.02)[held].sum() == pytest.approx(0.98224, abs=5e-6)


def test_mirrors_bad_once_in_a_hundred_do_not_make_independent_connections():
    """32 ports: 0.99^64 = 0.525596 of the switches, where 0.9801^1024 would be 1e-9."""
    rng = np.random.default_rng(8)
    a, b = rng.random((2, 3000, 32)) < 0.99
    met = np.mean((a[:, :, None] & b[:, None, :]).all(axis=(1, 2)))
    assert met == pytest.approx(0.525596, abs=4 * 0.5 / np.sqrt(3000))


def test_clustered_interval_is_as_wide_as_switches_are_few():
    good = np.array([100.0] * 36 + [60.0] * 4)
    low, high = clustered_interval(good, 100)
    share = good / 100
    half = 1.96 * share.std(ddof=1) / np.sqrt(40)
    # A bootstrap of 40 is not symmetric; the normal interval is within a third of its width.
    assert low == pytest.approx(share.mean() - half, abs=0.7 * half)
    assert high == pytest.approx(share.mean() + half, abs=0.7 * half)
    naive = exact_interval(int(good.sum()), 4000)
    assert high - low > 2.0 * (naive[1] - naive[0])
    assert clustered_interval(np.full(100, 9.0), 9) == (exact_interval(100, 100)[0], 1.0)


def test_rescue_is_brute_force():
    rng = np.random.default_rng(2)
    for _ in range(150):
        bad = rng.random((6, 7)) < rng.uniform(0.02, 0.25)
        spare = tuple(rng.integers(0, 4, 2))
        possible = any(
            not np.delete(np.delete(bad, rows, 0), columns, 1).any()
            for n in range(spare[0] + 1) for rows in combinations(range(6), n)
            for m in range(spare[1] + 1) for columns in combinations(range(7), m)
        )  # fmt: skip
        found = rescue(bad, *spare)
        assert (found is not None) == possible
        if found is not None:
            rows, columns = map(list, found)
            assert len(rows) <= spare[0] and len(columns) <= spare[1]
            assert not np.delete(np.delete(bad, rows, 0), columns, 1).any()


def test_the_largest_loss_with_spares_is_brute_force():
    rng = np.random.default_rng(4)
    for _ in range(60):
        seen = rng.random((5, 6)) < 0.6
        loss = np.round(rng.random((5, 6)), 1)  # with ties
        spare = tuple(rng.integers(0, 4, 2))
        left = [
            np.delete(np.delete(np.where(seen, loss, -np.inf), rows, 0), columns, 1).max(initial=-1)
            for rows in combinations(range(5), spare[0])
            for columns in combinations(range(6), spare[1])
        ]
        pairs = np.argwhere(seen)
        got = least_largest(pairs, loss[seen], *spare)
        want = min(left)
        assert got == (None if want < 0 else pytest.approx(want))


def test_a_bad_port_spoils_its_row_and_is_not_a_power():
    """One mirror in a hundred bad: a switch of N + M mirrors passes with 0.99^(N+M)."""
    n, switches = 16, 4000
    rng = np.random.default_rng(7)
    a, b = rng.random((2, switches, n)) < 0.99
    good = a[:, :, None] & b[:, None, :]
    met = np.mean(good.all(axis=(1, 2)))
    # 4 sigma of a binomial share; the naive power is 0.9801^256 = 0.006.
    assert met == pytest.approx(0.99 ** (2 * n), abs=4 * 0.5 / np.sqrt(switches))
    assert np.mean(good) ** (n * n) < 0.01
    rescued = np.mean([rescue(~g, 1, 1) is not None for g in good[:800]])
    side = stats.binom.cdf(1, n, 0.01)
    assert rescued == pytest.approx(side**2, abs=4 * np.sqrt(side**2 * (1 - side**2) / 800))


def test_lives_are_drawn_port_by_port_as_stated():
    b = budget(mirror_ageing_db=1.0, mirror_ageing_sd_db=0.1, port_ageing_db=0.0,
               port_ageing_sd_db=0.0, shift_urad=50.0, warming_k=0.0)  # fmt: skip
    life = draw_life(b, SCENARIO.switch.optics, 3, (4000, 3000))
    gained, shift = life.gained_db[0], 1e6 * life.shift_rad[1]
    assert gained.mean() == pytest.approx(1.0, abs=4 * 0.1 / np.sqrt(4000))
    assert gained.std() == pytest.approx(0.1, rel=0.06)
    assert shift.std() == pytest.approx(50.0, rel=0.05)
    again = draw_life(b, SCENARIO.switch.optics, 3, (10, 10))
    np.testing.assert_array_equal(again.gained_db[0], gained[:10])
    other = draw_life(b, SCENARIO.switch.optics, 3, (10, 10), life=1)
    assert not np.array_equal(other.gained_db[0], again.gained_db[0])
    warm = draw_life(budget(shift_urad=0.0), SCENARIO.switch.optics, 3, (5, 5))
    assert np.ptp(warm.shift_rad[0]) == 0.0 and warm.shift_rad[0][0, 0] != 0.0


def test_a_life_without_ageing_leaves_the_switch_as_new():
    idle = with_budget(
        servo_urad=0.0, mirror_ageing_db=0.0, mirror_ageing_sd_db=0.0, port_ageing_db=0.0,
        port_ageing_sd_db=0.0, connectors_remated=False, wear_db=0.0, shift_urad=0.0,
        warming_k=0.0,
    )  # fmt: skip
    one = Judge(idle, SCENARIO.mirror).judge(5)
    np.testing.assert_array_equal(one.new_db, one.late_db)


def test_the_servos_error_is_a_quantile_of_drawn_instants():
    """End-of-life loss by drawing instants, with the package's own integral at each."""
    servo = with_budget(
        servo_urad=60.0, servo_share=0.99, mirror_ageing_db=0.0, mirror_ageing_sd_db=0.0,
        port_ageing_db=0.0, port_ageing_sd_db=0.0, connectors_remated=False, wear_db=0.0,
        shift_urad=0.0, warming_k=0.0,
    )  # fmt: skip
    wide = servo.replace(
        optics=servo.optics.replace(mirror_radius_um=745.0).model_dump(), band=None
    )
    judge = Judge(wide, SCENARIO.mirror)
    one = judge.judge(5)
    maker = Maker(judge.years.switch, SCENARIO.mirror, 5)
    inputs, outputs = judge.years.inputs, judge.years.outputs
    aimed = maker.aimed(inputs, outputs)
    rng = np.random.default_rng(1)
    drawn = np.stack([
        maker.table(inputs, outputs, Aimed(
            aimed.change_rad + 6e-5 * rng.normal(size=aimed.change_rad.shape), False, 0
        )).insertion_db
        for _ in range(2000)
    ])  # fmt: skip
    quantile = np.quantile(drawn, 0.99, axis=0)
    # 20 instants lie beyond each quantile. The form is that of the design: waists and curvature as
    # built, and the law of three cumulants, leave some per cent (measured: 5.5).
    added = one.late_db - one.new_db
    np.testing.assert_allclose(quantile - one.new_db, added, atol=0.35 * added.mean())
    assert (quantile - one.new_db).mean() == pytest.approx(added.mean(), rel=0.08)
    assert drawn.mean() == pytest.approx(one.late_mean_db.mean(), rel=0.005)


def test_populations_name_their_switches_and_repeat():
    judge = Judge(SCENARIO.switch, SCENARIO.mirror)
    whole = judged_population(judge, 20, 6)
    tail = judged_population(judge, 23, 3)
    np.testing.assert_array_equal(whole.new_worst_db[3:], tail.new_worst_db)
    np.testing.assert_array_equal(whole.late_worst_db[3:], tail.late_worst_db)
    np.testing.assert_array_equal(population(SCENARIO, 6).late_mean_db, whole.late_mean_db)


def test_tolerances_are_halved_one_at_a_time(monkeypatch):
    have = present(SCENARIO.switch)
    assert ("budget", "servo_urad") in have
    tighter = with_tolerances(SCENARIO.switch, {("build", "chip_bow_per_m"): 0.5})
    assert tighter.build.chip_bow_per_m == 0.5 * SCENARIO.switch.build.chip_bow_per_m
    told = []
    bought, widened = buying(SCENARIO, 4, lambda done, total: told.append((done, total)))
    assert len(bought) == len(have) and told[-1] == (len(have) + 4,) * 2
    assert [b.gained_db for b in bought] == sorted((b.gained_db for b in bought), reverse=True)
    assert bought[0].gained_db > 0.0
    assert widened[0].met >= widened[-1].met
    # Switches that are kept for tighter budgets are those built anew.
    monkeypatch.setattr("sim.studies.built.buying.KEPT_ROWS", 0)
    assert buying(SCENARIO, 4) == (bought, widened)
    found = population(SCENARIO, 4)
    assert np.all((excess_db(found, SCENARIO.switch) <= 0) >= found.met)


@pytest.mark.parametrize(
    "switch, message",
    [
        (SCENARIO.switch.replace(budget=None), "switch.budget: required"),
        (with_budget(ports_in_service=13), "ports_in_service: must not exceed"),
    ],
)
def test_what_yield_refuses(switch, message):
    with pytest.raises(ScenarioError, match=message):
        Judge(switch, SCENARIO.mirror)


def test_yield_judges_the_band():
    """A switch whose worst connection is good at the data wavelength alone is not good."""
    alone = Judge(SCENARIO.switch.replace(band=None), SCENARIO.mirror).judge(5)
    over = Judge(SCENARIO.switch, SCENARIO.mirror).judge(5)
    table = Maker(SCENARIO.switch, SCENARIO.mirror, 5).table(*np.divmod(np.arange(144), 12))
    np.testing.assert_allclose(over.new_db, table.band_db.max(axis=1), atol=1e-12)
    # The middle of the band, which the judge leaves out, is never the worst.
    assert (table.band_db[:, 2] <= table.band_db[:, [1, 3]].max(axis=1)).all()
    assert (over.new_db >= alone.new_db - 1e-12).all() and over.new_db.max() > alone.new_db.max()
    assert (over.late_db - alone.late_db).max() > 0.01
    limit = 0.5 * (over.new_db.max() + alone.new_db.max())
    strict = with_budget(acceptance_db=limit, end_of_life_db=60.0)
    assert Judge(strict, SCENARIO.mirror).bad(over).any()
    assert not Judge(strict, SCENARIO.mirror).bad(alone).any()


def test_mean_intervals_hold_the_mean_as_often_as_they_say():
    """Student's law on drawn normals: 95 % of 4000 intervals, within 4 sigma of a binomial."""
    draws = np.random.default_rng(3).normal(2.0, 0.3, (20, 4000))
    _, low, high = mean_intervals(draws)
    inside = np.mean((low <= 2.0) & (high >= 2.0))
    assert inside == pytest.approx(0.95, abs=4 * np.sqrt(0.95 * 0.05 / 4000))
    # One case by the textbook: mean and s / sqrt(n) times t(0.975, 4) = 2.776445 (table value).
    mean, low, high = mean_intervals(np.array([[1.0], [2.0], [3.0], [4.0], [5.0]]))
    half = 2.776445 * np.sqrt(2.5 / 5)
    assert (mean[0], low[0], high[0]) == pytest.approx((3.0, 3.0 - half, 3.0 + half), abs=1e-6)


def test_large_switches_live_less_often():
    assert [lives_of(n * n) for n in (16, 96, 128, 256, 1024)] == [50, 50, 30, 10, 10]


def test_many_lives_of_a_switch_add_up_connection_by_connection():
    figures, columns = many_lives(SCENARIO, lives=6)
    years = Years(SCENARIO.switch, SCENARIO.mirror)
    new = years.new(SCENARIO.seeds.population)
    one = [years.late(new, life) for life in range(6)]
    np.testing.assert_allclose(columns["end_of_life_db"], np.mean([o.db for o in one], axis=0))
    # What the years add and what there was make the whole, and the parts are named in the page.
    np.testing.assert_allclose(new.table.insertion_db + one[2].added_db.sum(axis=0), one[2].db)
    worst = figures["worst"][0]
    c = 12 * worst["input"] + worst["output"]
    assert columns["end_of_life_db"].argmax() == c
    assert worst["low_db"] < worst["mean_db"] < worst["high_db"]
    assert worst["over"]["low"] <= columns["lives_over_share"][c] <= worst["over"]["high"]
