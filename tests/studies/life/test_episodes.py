"""Episodes of a life: played by the full loop, and counted in the availability."""

import pytest

from sim.studies.life.episodes import chosen_episodes, play_episodes, with_episodes
from sim.studies.life.schedule import LifeEvent, What
from sim.studies.life.study import live, results_of


def test_an_episode_counts_the_time_over_the_limit_once_loops_have_settled(small):
    often = ("life.episodes.0.per_year=20", "life.episodes.0.duration_ms=700")
    life = live(small(*often), 0.1, rows=2)
    lived = results_of(life)["episodes_lived"]
    played = play_episodes(life)
    assert lived == {"earthquake": len(played)} and len(played) > 0
    # The pulse costs a fraction of a decibel, and the budget has more than one left; the first
    # instants, in which the loops correct what a life has left them, do not count.
    assert all(0.0 < one["excess_max_db"] < 1.0 and one["out_h"] == 0.0 for one in played)


def test_every_kind_is_played_before_one_is_played_twice():
    comes = [(LifeEvent(float(i), What.EPISODE, number), i) for i, number in
             enumerate([0] * 20 + [1] + [0] * 5 + [2])]  # fmt: skip
    assert [i for _, i in chosen_episodes(comes)] == [*range(10), 20, 26]
    assert chosen_episodes(comes[:3]) == comes[:3]


def test_episodes_that_were_not_played_count_as_the_mean_of_those_that_were():
    before = {
        "share": 0.9, "connection_hours": 100.0,
        "out_by_cause_h": {"board": 10.0, "episode": 0.0},
    }  # fmt: skip
    played = [{"name": "quake", "out_h": 1.0}, {"name": "quake", "out_h": 3.0}]
    after = with_episodes(before, played, {"quake": 5, "blast": 2})
    assert after["out_by_cause_h"] == {"board": 10.0, "episode": 10.0}
    assert after["share"] == pytest.approx(0.8) and before["share"] == 0.9
