"""What `check` says before a run, against what the run then does."""

from pathlib import Path

import pytest
from click.testing import CliRunner

from sim.assembly.build import build
from sim.cli.main import cli
from sim.scenario.model import load_scenario
from sim.studies.run.preview import preview
from sim.studies.run.run import run

ROOT = Path(__file__).parents[3]
HARROW = ROOT / "scenarios" / "harrow_point_reconfigure.toml"
TWO = ("switch.connections=[[0,1],[1,0]]", "switch.moves=[]", "limits={}", "duration_ms=120",
       "metrics.hold_from_ms=60")  # fmt: skip
SHOCK = ('disturbances=[{kind="shock",pulse="half_sine",peak_g=5.0,duration_ms=6.0,'
         'start_ms=%d,direction=[1,0,0]}]')  # fmt: skip


def said(*overrides: str) -> tuple[str, str]:
    lines, warnings = preview(build(load_scenario(HARROW, (*TWO, *overrides))))
    return "\n".join(lines), "\n".join(warnings)


@pytest.mark.parametrize(
    ("start_ms", "word"),
    [(70, "met"), (10, "not exercised"), (118, "not exercised"), (300, "not exercised")],
    ids=["inside", "before the hold", "cut off", "after the run"],
)
def test_what_is_not_exercised_is_said_before_the_run_and_after_it(start_ms, word):
    more = (SHOCK % start_ms, "limits.excess_max_db=30")
    _, warnings = said(*more)
    result = run(load_scenario(HARROW, (*TWO, *more)))
    assert result.verdict.word == word
    assert ("not exercised" in warnings) == (word == "not exercised")


def test_a_limit_says_what_it_is_judged_on():
    lines, _ = said("limits.excess_max_db=1", "limits.lost_frames_max=0")
    assert "largest ≤ 1 dB, judged on 2 connections, 60 to 120 ms" in lines
    assert "judged on 4 mirrors x 120 frames, the whole run" in lines


def test_limits_that_cannot_be_met_are_named():
    _, warnings = said("limits.settling_max_ms=10", "limits.sway_max_mm=1")
    assert "settling_max_ms cannot be met: nothing moves" in warnings
    assert "sway_max_mm cannot be met: there is no [isolator]" in warnings


def test_spots_below_the_thresholds_are_no_good_scenario():
    # At 3000 e- a spot has 1500 DN, in the brightest of whose pixels about 73 DN stand: hardly
    # anything is above the threshold of 48 DN, and min_flux_dn is 300.
    _, warnings = said("camera.signal_e=3000")
    assert "100 % of still spots are lost (dim 100 %)" in warnings
    outcome = CliRunner().invoke(cli, ["check", str(HARROW), "--set", "camera.signal_e=3000"])
    assert outcome.exit_code == 1 and "valid, but" in outcome.output
    assert CliRunner().invoke(cli, ["check", str(HARROW)]).exit_code == 0


def test_arithmetic_is_held_against_the_latency():
    # By hand: 2920 multiply-adds x 192 spots = 560 640; at 1000 a microsecond 561 us. The camera's
    # latency is 700 us: 100 us of read-out leave 600, 200 us leave 500.
    for readout_us, fits in ((100, True), (200, False)):
        lines, warnings = said(
            "processor.multiply_adds_per_us=1000", f"processor.readout_us={readout_us}"
        )
        assert f"561 us a frame; {700 - readout_us} us of camera.latency_us are left" in lines
        assert ("late" in warnings) is not fits
    lines, warnings = said("processor.multiply_adds_per_us=1000", "processor.memory_kb=0.02")
    assert "needs 0.024 kB a spot, 0.02 kB are there" in warnings


def test_no_spot_is_lost_without_images_so_a_limit_on_them_is_idle():
    more = ('camera.noise="equivalent"', "limits.lost_frames_max=0")
    lines, warnings = said(*more)
    assert "no spot can be lost" in lines and "no spot can be lost" in warnings
    result = run(load_scenario(HARROW, (*TWO, *more)))
    assert result.verdict.word == "not exercised"
    assert result.page_data["without_images"]
