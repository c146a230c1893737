"""What the verdict of connections says of crosstalk and of the other limits."""

import numpy as np

from sim.studies.connections import traffic
from sim.studies.connections.plan import MovePlan
from sim.studies.connections.strays import Found
from sim.studies.connections.summary import LimitWords, crosstalk_words, order_of, verdict_of
from sim.studies.connections.traffic import moving, standing
from tests.studies.connections.test_traffic import case, maker


def test_the_limit_of_crosstalk_is_in_the_verdict(monkeypatch):
    scenario = case("switch.budget.crosstalk_db=190")
    made = maker(scenario)
    # test_traffic.py tests the search itself; here, that it is asked for and what is said of it.
    one = np.ones((12, 2), int)
    plan = MovePlan(Found(150.0, 3, 4, 149.0), 9, 0 * one, one, 150.0, 160.0)
    monkeypatch.setattr(traffic, "planned", lambda path, limit_db, progress: plan)
    found = {"standing": standing(scenario, made), "move": moving(scenario, made)}
    assert found["move"]["by_mirror"]["moves_in_a_row"] == 2
    assert [s["mirrors"] for s in found["move"]["by_mirror"]["stages"]] == ["A", "B"]
    text, good, _ = crosstalk_words(found, 190.0)
    assert not good and f"output {found['standing']['worst_output']}" in text
    text, good, _ = crosstalk_words(found | {"standing": None}, 190.0)
    assert not good and "best order" in text and "input 3 into output 4" in text
    found["move"]["together"]["met"] = True
    assert order_of(found["move"]) == "together"
    text, good, _ = crosstalk_words({"standing": None, "move": found["move"]}, 1.0)
    assert good and "dB inside the limit of 1 dB" in text and "moving all mirrors at once" in text
    loop = {"crosstalk_worst_pair_db": 0.5, "crosstalk_beam_input": 1, "crosstalk_output": 2}
    text, good, _ = crosstalk_words({"standing": None, "move": found["move"]}, 1.0, loop)
    assert not good and "the loops put light of input 1 into output 2" in text
    # Stages that keep the crosstalk may miss what the scenario asks of the run itself.
    late = {"name": "settling_max_ms", "limit": 60.0, "value": 61.2, "met": False}
    loop |= {"crosstalk_worst_pair_db": 9.0, "max_ms": 50.0, "limits": [late]}
    text, good, _ = crosstalk_words({"standing": None, "move": found["move"]}, 1.0, loop)
    assert not good and "settling_max_ms missed: 61.20 ms, the limit is 60.00 ms" in text
    loop["limits"] = [late | {"value": 59.0, "met": True}]
    assert crosstalk_words({"standing": None, "move": found["move"]}, 1.0, loop)[1]


def test_the_nearest_limit_is_named_first():
    """Shares used, by hand: 70 of 70.3 dB, 50.7 of 60 ms, 1.32 of 1.8 dB."""
    summary = {
        "count": 9, "max_db": 1.32, "acceptance_db": 1.8, "out_of_travel": 0, "over_acceptance": 0,
    }  # fmt: skip
    loop = {"limits": [{"name": "settling_max_ms", "limit": 60.0, "value": 50.7, "met": True}]}
    light = LimitWords("light in wrong outputs 70.3 dB down", used=70.0 / 70.3)
    text, good = verdict_of(summary, None, "in 1 -> out 2", light, loop=loop)
    assert good and text.startswith("Met: light in wrong outputs 70.3 dB down; ")
    assert text.index("settling 50.70 ms") < text.index("0.48 dB inside the limit of 1.8 dB")
    bad = light._replace(good=False)
    assert verdict_of(summary, None, "", bad) == (f"Missed: {bad.text}.", False)
