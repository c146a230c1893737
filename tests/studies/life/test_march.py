"""One life: exact carrying of slow states, events, limits, and the two clocks."""

import numpy as np
import pytest

from sim.foundations.errors import ScenarioError
from sim.studies.life.both_clocks import overlap
from sim.studies.life.jitter import jitter_rad2, loop_of, with_change
from sim.studies.life.march import March
from sim.studies.life.plant import slow_plant
from sim.studies.life.schedule import DAY_S, YEAR_S, LifeEvent, What, schedule
from sim.studies.life.start import start_at
from sim.studies.life.steps import blocks
from sim.studies.life.study import live, results_of
from sim.studies.run.make import make_run

QUIET = (
    "life.service.moves_per_port_year=0", "life.service.remates_per_port_year=0",
    "life.service.repeak_days=0", "life.service.recalibrate_days=0",
    "life.service.board_failures_per_year=0", "life.monitor.failures_per_year=0",
    "life.monitor.dimming_pct_per_1000_h=0", "life.episodes=[]",
    "life.service.repeak_at_db='none'",
)  # fmt: skip


def still(*kinds):
    return (*QUIET, f"disturbances=[{','.join(kinds)}]")


def test_steps_grow_after_a_change_and_end_at_the_event():
    times = np.concatenate(list(blocks(0.0, 50_000.0, 0.0, 3600.0)))
    steps = np.diff(times, prepend=0.0)
    assert steps[0] == 10.0 and steps.max() <= 3600.0 and times[-1] == 50_000.0
    assert (np.diff(times) > 0).all()
    late = np.concatenate(list(blocks(1e5, 150_000.0, 0.0, 3600.0)))
    assert len(late) == 14 and late[-1] == 150_000.0


def test_steps_are_short_after_the_cooling_fails_and_never_miss_a_day(small):
    # With steps of up to a day every sample of a daily swing would meet the same hour: the mean of
    # exp(Ea/k (1/T0 - 1/T)) over the swing is 1 + (Ea a / k T0^2)^2 / 4 to second order, by hand.
    air = 'ambient={shape="climate",daily_k=2.0,FAILS},bench_tau_s=0,sensor_tau_s=60'
    thermal = f'{{kind="thermal",{air}}}'
    calm = small(*still(thermal.replace(",FAILS", "")), "life.step_h=24")
    lived = live(calm, 0.2, rows=2)
    size = 0.3 / 8.617333e-5 * 2.0 / 295.15**2
    mean = 1.0 + size**2 / 4.0 - size * 2.0 / 295.15 / 2.0
    assert lived.lived.last.effective_h / (0.2 * 8766.0) == pytest.approx(mean, abs=2e-4)
    assert lived.lived.steps == pytest.approx(0.2 * 365.25 * 8, abs=25)
    fails = small(*still(thermal.replace("FAILS", "failures_per_year=30,failure_rise_k=9.0")))
    plant = slow_plant(fails)
    changes = plant.changing[0].changes_s(0.2 * YEAR_S)
    assert len(changes) > 4
    more = March(plant, 3600.0).live([LifeEvent(0.2 * YEAR_S, What.ROW)]).steps
    whole = 0.2 * 8766.0
    assert 10 * len(changes) < more - whole < 20 * (len(changes) + 1)


def test_dielectrics_charge_under_the_drive_with_its_corrections(small):
    """Hinges that creep are corrected, and what corrects them charges: worked out step by step."""
    charging = '{kind="charging",amplitude_urad=50000.0,tau_s=1000.0,beta=1.0,follows_bias=true}'
    ageing = '{kind="ageing",rate_urad_per_1000_h=3000.0}'
    plant = slow_plant(small(*still(charging, ageing)))
    march = March(plant, 3600.0)
    last = march.live([LifeEvent(day * DAY_S, What.ROW) for day in range(1, 61)]).last
    # A plain exponential of 1000 s has come to the drive of the day before, corrections included.
    drive = (march.aims_rad(last.outputs) + last.correction_rad) / march._limit_rad
    assert np.abs(drive - last.share).max() < 1e-12
    weights = plant.biased[0][0].weights
    come = np.tensordot(weights, last.charged[0], 1)
    aims = march.aims_rad(last.outputs) / march._limit_rad
    assert np.abs(come - drive).max() < 0.1 * np.abs(come - aims).max()


def test_jitter_is_that_of_the_present_gain(small):
    """A loop of less gain passes less noise and takes out less wander: another analysis."""
    plant = slow_plant(small(*still('{kind="drift",sigma_urad=40,correlation_s=5.0,start="zero"}')))
    new, weak = (plant.jitter.variance_rad2(1.0, 0.0, gain) for gain in (0.0, -0.3))
    between = plant.jitter.variance_rad2(1.0, 0.0, -0.29)
    changed = with_change(plant.built, 0.0, -0.29)
    # The steps of the DAC are played, which scatters by half a per cent.
    np.testing.assert_allclose(between, jitter_rad2(changed, loop_of(changed)), rtol=0.015)
    assert np.abs(weak / new - 1.0).min() > 0.03


def test_both_clocks_agree_on_an_interval_that_both_can_run(small):
    # Bounds: corrections by mirror to 2 urad rms (noise of the full loop's mean over 1 s is about
    # 0.6 urad; the rest is the loop's lag), losses to 0.003 dB, jitter to 8 %.
    found = overlap(small(), 5.0)
    c = found["correction_urad"]
    assert all(found["agree"].values()), found["agree"]
    assert c["rms"] > 50.0 and c["difference_rms"] < 2.0
    for figure in found["insertion_db"].values():
        assert figure["slow"] == pytest.approx(figure["full"], abs=0.003)
    assert found["jitter_urad"]["slow"] == pytest.approx(found["jitter_urad"]["full"], rel=0.08)


def test_what_the_loop_sees_it_corrects_and_what_it_does_not_see_costs(small):
    creep = '{kind="creep",of="OF",rate_urad_per_decade=300.0,onset_h=1.0}'
    hinges = live(small(*still(creep.replace("OF", "hinges"))), 1.0, rows=4)
    camera = live(small(*still(creep.replace("OF", "camera"))), 1.0, rows=4)
    first, last = hinges.rows[0], hinges.rows[-1]
    np.testing.assert_allclose(last.error_rad, first.error_rad, atol=1e-9)
    assert np.abs(last.correction_rad - first.correction_rad).max() > 1e-4
    # The camera's frame shifts by s: every mirror follows by -s, and the loss is e.Q.e of that.
    shift = camera.rows[-1].error_rad - camera.plant.built.parts.population.alignment_rad
    np.testing.assert_allclose(shift, np.broadcast_to(shift[0], shift.shape), atol=1e-12)
    size = np.linalg.norm(shift[0])
    drawn = camera.plant.slow[0].slow(None, np.array([YEAR_S]))[1].sensor_rad[0]
    np.testing.assert_allclose(size, np.linalg.norm(drawn), rtol=1e-9)
    unseen, seen = (life.rows[-1].contributors_db["pointing"] for life in (camera, hinges))
    assert unseen > seen


def test_losses_grow_in_proportion_to_effective_age(small):
    # 3 K over the reference with 0.3 eV: exp(0.3/k (1/295.15 - 1/298.15)) times as fast.
    warm = (
        '{kind="thermal",ambient={shape="climate",mean_k=3.0},bench_tau_s=60,sensor_tau_s=60}'
    )
    lived = live(small(*still(warm)), 2.0, rows=4)
    factor = np.exp(0.3 / 8.617333e-5 * (1 / 295.15 - 1 / 298.15))
    assert lived.lived.last.effective_h == pytest.approx(2 * 8766 * factor, rel=1e-9)
    mirrors = [row.contributors_db["mirrors"] for row in lived.rows]
    np.testing.assert_allclose(np.diff(mirrors), np.diff(mirrors)[0], rtol=1e-6)


def test_peaking_takes_off_what_no_camera_sees(small):
    creep = '{kind="creep",of="camera",rate_urad_per_decade=300.0,onset_h=1.0}'
    peaked = small(*still(creep), "life.service.repeak_days=300", "life.service.peak_error_urad=0")
    never = small(*still(creep))
    with_peaking, without = live(peaked, 1.0, rows=12), live(never, 1.0, rows=12)
    late = with_peaking.rows[-1].contributors_db["pointing"]
    assert late < 0.1 * without.rows[-1].contributors_db["pointing"]


def test_a_board_that_fails_makes_its_connections_dark_for_its_repair(small):
    plant = slow_plant(small(*still()))
    march = March(plant, 3600.0)
    events = [
        LifeEvent(10 * DAY_S, What.BOARD_DOWN, 0), LifeEvent(12 * DAY_S, What.BOARD_UP, 0),
        LifeEvent(30 * DAY_S, What.ROW, 0),
    ]  # fmt: skip
    lived = march.live(events)
    assert lived.rows[0].out_h["board"] == pytest.approx(4 * 48.0)
    assert lived.rows[0].hours == pytest.approx(720.0)
    assert not np.isnan(lived.rows[0].peak_db).any()


def test_a_lamp_that_fails_leaves_the_loops_holding(small):
    ageing = '{kind="ageing",rate_urad_per_1000_h=300.0}'
    plant = slow_plant(small(*still(ageing)))
    march = March(plant, 3600.0)
    down = [LifeEvent(10 * DAY_S, What.LAMP_DOWN), LifeEvent(20 * DAY_S, What.ROW, 0)]
    lived = march.live(down)
    size = plant.slow[0].slow(None, np.array([10 * DAY_S, 20 * DAY_S]))[1].rest_rad
    aims = march.aims_rad(lived.last.outputs)
    slope = 1 + 3 * np.array([4.0, 4.0]) * aims**2
    # Of what is lost meanwhile, the light is the cause.
    tight = slow_plant(small(*still(ageing), "switch.budget.acceptance_db=1.4",
                             "switch.budget.end_of_life_db=1.5"))  # fmt: skip
    dark = March(tight, 3600.0).live([down[0], LifeEvent(60 * DAY_S, What.ROW, 0)])
    out = dark.rows[0].out_h
    assert out["monitor light"] > 0 and out["pointing"] == 0
    assert dark.first_miss["end_of_life"].cause == "monitor light"
    assert dark.rows[0].connection_out_h.sum() == pytest.approx(sum(out.values()))
    drift = lived.last.error_rad - plant.built.parts.population.alignment_rad
    np.testing.assert_allclose(drift, (size[1] - size[0]) / slope, atol=1e-12)


def test_the_schedule_is_poisson_and_a_longer_life_begins_like_a_shorter_one(small):
    life = small().life
    short = schedule(life, 5, 96, 12, 5 * YEAR_S, 10)
    long = schedule(life, 5, 96, 12, 15 * YEAR_S, 10)
    moves = [h for h in long if h.what is What.MOVE]
    assert len(moves) == pytest.approx(0.5 * 96 * 2 * 15, abs=4 * np.sqrt(1440))
    early = [h for h in short if h.what is What.MOVE]
    assert early == moves[: len(early)]
    assert [h.time_s for h in long] == sorted(h.time_s for h in long)


def test_limits_and_availability(small):
    tight = small("switch.budget.acceptance_db=0.7", "switch.budget.end_of_life_db=0.9")
    life = live(tight, 1.0)
    found = results_of(life)
    assert found["missed_at_years"]["acceptance"] <= found["missed_at_years"]["end_of_life"]
    out = sum(found["availability"]["out_by_cause_h"].values())
    total = 8 * 8766.0
    assert found["availability"]["connection_hours"] == pytest.approx(total, rel=1e-6)
    assert found["availability"]["share"] == pytest.approx(1 - out / total, rel=1e-9)
    assert found["max_with_spares_db"][-1] <= found["max_db"][-1] and found["spares"] == 1
    parts = sum(found["contributors"][name][-1] for name in found["contributors"])
    assert parts == pytest.approx(found["mean_db"][-1], rel=1e-9)


def test_the_same_seed_gives_the_same_life(small):
    one, other = (results_of(live(small(), 0.2)) for _ in range(2))
    assert one == other
    assert results_of(live(small("noise_seed=5"), 0.2)) != one


def test_a_run_starts_late_in_the_life(small):
    start = start_at(small(), 0.5)
    made = make_run(start.scenario, condition=start.condition, pictures=False)
    whole = live(small(), 0.5)
    last = whole.rows[-1]
    pairs = whole.plant.pairs(whole.lived.last.outputs)
    e = last.error_rad[pairs].reshape(-1, 4)
    form = whole.plant.form_db[np.arange(8), whole.lived.last.outputs]
    misaligned = np.einsum("ci,cij,cj->c", e, form, e).mean()
    # Misalignment: settled errors of the life, and the jitter of a short run on top.
    got = made.figures["coupling"]["excess_mean_db"]
    assert got == pytest.approx(misaligned + last.contributors_db["jitter"], abs=0.01)
    new = make_run(small(), pictures=False).figures["coupling"]["aligned_max_db"]
    assert made.figures["coupling"]["aligned_max_db"] > new


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ("life='none'", "life: required"),
        ("switch.budget='none'", "switch.budget: required"),
        ("controller.integral_per_frame=3.0", "not stable: [0-9]+ of [0-9]+ loop"),
        ("camera.signal_e=100", "still spots cannot be read"),
    ],
)
def test_what_has_no_life_is_refused(small, change, words):
    with pytest.raises(ScenarioError, match=words):
        live(small(change), 1.0)


def test_an_inspection_that_finds_the_gain_wrong_measures_it_anew(small):
    """The gain falls 2 % a year: a limit of 1 % is crossed every half year, at an inspection."""
    loses = '{kind="softening",resonance_ppm_per_year=0,gain_ppm_per_year=-20000}'
    own = (*still(loses), "drive.calibration_error_pct=0", "life.service.inspect_days=10")

    def wrong_pct(*more):
        lived = live(small(*own, *more), 4.0, rows=8).lived
        gain = 1.0 - 0.02 * 4.0
        return 100.0 * np.abs(gain / lived.last.calibration - 1.0).max()

    assert wrong_pct() == pytest.approx(8.0, rel=1e-6)
    assert wrong_pct("life.service.recalibrate_at_pct=1.0") < 1.0 + 0.06


def test_a_new_connection_is_aimed_by_the_table_that_the_last_peaking_left(small):
    """The camera's frame has moved, all mirrors alike: after a peaking, no move meets it again."""
    creep = '{kind="creep",of="camera",rate_urad_per_decade=300.0,onset_h=1.0}'
    exact = ("life.service.peak_error_urad=0", "switch.aiming.connection_error_urad=1e-6")
    plant = slow_plant(small(*still(creep), *exact))
    march = March(plant, 3600.0)
    at = 300 * DAY_S

    def error_urad(*happenings):
        events = [*happenings, LifeEvent(at + 2 * DAY_S, What.ROW)]
        error = march.live(events).last.error_rad
        return 1e6 * (error - plant.built.parts.population.alignment_rad)

    moved = [LifeEvent(at + DAY_S, What.MOVE, n) for n in range(40)]
    shifted = error_urad(*moved)
    assert np.abs(shifted).max() > 100.0
    np.testing.assert_allclose(shifted[:8], np.broadcast_to(shifted[0], (8, 2)), atol=1e-3)
    # Peaking takes alignment errors off too; what is put into the table is their mean.
    aligned = 1e6 * plant.built.parts.population.alignment_rad
    own = np.concatenate([np.broadcast_to(a.mean(axis=0), a.shape) for a in np.split(aligned, 2)])
    late = error_urad(LifeEvent(at, What.REPEAK), *moved)
    everyone = np.abs(late + own).max(axis=1) < 1.0
    assert everyone.all()
