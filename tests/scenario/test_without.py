"""What may be absent can be taken away again: TOML has no word for nothing."""

from pathlib import Path

import pytest

from sim.foundations.errors import ScenarioError
from sim.scenario.model import load_scenario

QUAKE = Path(__file__).parents[2] / "scenarios" / "harrow_point_earthquake.toml"


def test_parts_limits_and_settings_can_be_taken_away():
    whole = load_scenario(QUAKE)
    assert whole.bracket is not None
    assert whole.limits.excess_max_db == 0.5
    less = load_scenario(QUAKE, ["bracket=none", "limits.excess_max_db=none"])
    assert less.bracket is None
    assert less.limits.excess_max_db is None
    assert less.limits.outage_ms == whole.limits.outage_ms
    assert load_scenario(QUAKE, ["camera.noise=none"]).camera.noise == "none"


def test_a_scenario_can_take_away_what_its_base_has(tmp_path):
    path = tmp_path / "stiff.toml"
    path.write_text(f'base = "{QUAKE.as_posix()}"\nbracket = "none"\n', encoding="utf-8")
    assert load_scenario(path).bracket is None


@pytest.mark.parametrize("key", ["mirror", "seed", "traces.sample_hz"])
def test_what_must_be_there_cannot_be_taken_away(key):
    with pytest.raises(ScenarioError, match=f"{key}: .*got 'none'"):
        load_scenario(QUAKE, [f"{key}=none"])
