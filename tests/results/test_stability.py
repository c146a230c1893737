"""Loops that diverge are said to be unstable; shaken, moving and noisy ones are not."""

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from sim.cli.main import cli
from sim.results.stability import _from, diverged, diverging_words
from sim.results.verdict import verdict_of
from tests.made_traces import made_traces

HARROW = Path(__file__).parents[2] / "scenarios" / "harrow_point_reconfigure.toml"
FEW = ("switch.connections=[[0,7],[13,20],[26,3],[39,41]]", "switch.moves=[]",
       "metrics.hold_from_ms=100", "duration_ms=250", "limits={}")  # fmt: skip


def test_growing_and_sustained_swings_are_told_from_all_else() -> None:
    # By hand: an oscillation that grows by 20 % a swing, one held between limits, and what is no
    # divergence: noise, a decaying ring, one large step, swings that are large but few.
    k = np.arange(200)
    sign = (-1.0) ** k
    grown = np.minimum(1e-4 * 1.1**k, 10.0) * sign
    assert _from(grown, 1.0) is not None
    assert 2 * abs(grown[_from(grown, 1.0)]) == pytest.approx(1.0, rel=0.3)
    assert _from(3.0 * sign, 1.0) == 0
    for calm in (
        0.1 * np.random.default_rng(1).standard_normal(20_000), 5.0 * 0.7**k * sign,
        np.where(k > 50, 9.0, 0.0), np.where((k > 50) & (k < 55), 9.0 * sign, 0.0), 0.0 * k,
    ):  # fmt: skip
        assert _from(calm, 1.0) is None


def test_so_many_swings_and_no_fewer() -> None:
    # Swings between limits: 8 in a row that are large. Held before and after, which is no swing.
    for count, at in ((7, None), (8, 4), (9, 4)):
        held = np.concatenate([np.zeros(5), 3.0 * (-1.0) ** np.arange(count), np.zeros(1)])
        held[-1] = held[-2]
        assert _from(held, 1.0) == at
    # Growing: four swings of 1, 1.2, 1.4 and g; the last is large, and more than twice the first.
    for steps, at in (
        ([0.5, 0.5, -1.2, 1.4, -1.9], None), ([0.5, 0.5, -1.2, 1.4, -2.1], 4),
        ([0.5, 0.5, -1.2, 1.2, 1.2], None),  # three swings
        ([0.5, 0.5, -1.4, 1.2, -2.1], None),  # the third is smaller
    ):  # fmt: skip
        assert _from(np.concatenate([[0.0], np.cumsum(steps)]), 1.5) == at


def test_diverging_mirrors_are_named_with_time_and_swing() -> None:
    # Mirror 1 grows along y, mirror 2 swings between limits along x from 60 ms on and along y
    # from 120 ms on, 0 is calm.
    k = np.arange(200)
    sign = (-1.0) ** k
    correction = np.zeros((200, 3, 2))
    correction[:, 0] = 1e-4 * sign[:, None]
    correction[:, 1, 1] = np.minimum(1e-6 * 1.1**k, 2e-3) * sign
    correction[60:, 2, 0] = 9e-4 * sign[60:]
    correction[120:, 2, 1] = 9e-4 * sign[120:]
    limit = np.full((3, 2), 3e-3)
    ticks = {"tolerance_rad": 1.0, "outage_db": 1.0}
    traces = made_traces(np.zeros((4000, 3, 2)), np.zeros((4000, 1)), correction_rad=correction,
                         **ticks)  # fmt: skip
    found = diverged(traces, limit)
    assert found.columns.tolist() == [1, 2]
    # 0.6 mrad is reached by y at 2.1e-6 1.1^k: k = 59.3; the first swing of x begins at 59.
    assert found.from_s == pytest.approx([0.060, 0.060], abs=0.002)
    assert found.swing_rad == pytest.approx([4e-3, 1.8e-3])
    text = diverging_words(found, traces, 2)[0]
    assert text.startswith("the loops of 2 of 3 mirrors diverge, first ")
    assert text.endswith("ms; corrections swing by up to 4 mrad")
    later = diverging_words(found._replace(from_s=np.array([0.07, 0.061])), traces, 2)[0]
    assert "first B00 at 61 ms" in later
    calm = diverged(traces, np.full((3, 2), 1.0))
    assert not calm.columns.size and diverging_words(calm, traces, 2) == ()
    none = made_traces(np.zeros((20, 3, 2)), np.zeros((20, 1)), **ticks,
                       correction_rad=np.zeros((0, 3, 2)))  # fmt: skip
    assert [len(part) for part in diverged(none, limit)] == [0, 0, 0]


@pytest.mark.parametrize(
    ("gain", "unstable"),
    [(0.55, False), (0.8, True), (1.5, True), (3.0, True)],
)
def test_a_run_without_limits_ends_with_one_where_a_loop_diverges(
    tmp_path: Path, gain: float, unstable: bool
) -> None:
    # Second way: the linear loops (`mirrorloop margins`): all stable at 0.55, six of eight mirrors
    # unstable at 0.8, all beyond. At 1.5 and 3 spots leave their windows within 25 frames.
    sets = [part for text in (*FEW, f"controller.integral_per_frame={gain}") for part in
            ("--set", text)]  # fmt: skip
    done = CliRunner().invoke(cli, ["run", str(HARROW), "--out", str(tmp_path / "r"), *sets])
    assert done.exit_code == (1 if unstable else 0), done.output
    verdict = json.loads((tmp_path / "r" / "results.json").read_text())["verdict"]
    assert (verdict["word"] == "unstable") == unstable
    if unstable:
        assert "Unstable: the loops of" in done.output and "mirrors diverge, first" in done.output
        count = int(verdict["diverging"][0].removeprefix("the loops of ").split()[0])
        assert count >= (5 if gain < 1 else 8)
        assert "Unstable" in (tmp_path / "r" / "report.html").read_text()


def test_no_verdict_passes_with_a_diverging_loop() -> None:
    said = verdict_of([], {}, [], (), ("the loops of 1 of 2 mirrors diverge",))
    assert said.word == "unstable" and not said.passes
    assert said.text.startswith("Unstable: the loops of 1 of 2 mirrors diverge. No limit")
