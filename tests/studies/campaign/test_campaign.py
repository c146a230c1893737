"""A campaign of two mirrors: matrix, margins, resumed after a kill, bad files."""

import json
from pathlib import Path

import numpy as np
import pytest

from sim.cli.sweep import progress
from sim.foundations.errors import ScenarioError
from sim.scenario.gallery import gallery_folder
from sim.studies.campaign.one_case import one_case
from sim.studies.campaign.plan import load_campaign
from sim.studies.campaign.run import campaign, worst_rows

ONE = Path(__file__).parents[2] / "one_mirror.toml"
G = 9.80665
TEXT = f"""
title = "Two mirrors"
scenario = "{ONE}"
set = ["mirror.imbalance_rad_s2_per_m_s2=[[2000.0, 0.0, 0.0], [0.0, 0.0, 0.0]]"]

[limits]
max_urad = 200.0

[margins]
top = 8.0
within_pct = 5.0

[thermal]
kind = "thermal"
bench_tau_s = 0.0
sensor_tau_s = 0.0
tilt_urad_per_k = [10.0, 0.0]

[profiles.pulse]
kind = "shock"
pulse = "half_sine"
peak_g = 10.0
duration_ms = 11.0

[[cases]]
profile = "pulse"
axes = ["x", "z"]
senses = ["+", "-"]
loops = ["open"]

[[cases]]
profile = "pulse"
levels = [3.0]
loops = ["open"]

[[cases]]
profile = "pulse"
axes = ["z"]
loops = ["open"]
temperatures_k = [5.0]
"""


def written(folder, text=TEXT):
    path = folder / "campaign.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_matrix_of_a_campaign_follows_from_the_equation_of_motion(tmp_path):
    plan = load_campaign(written(tmp_path))
    assert [case.words for case in plan.cases] == [
        "pulse +x, level 1, open", "pulse -x, level 1, open", "pulse +z, level 1, open",
        "pulse -z, level 1, open", "pulse +x, level 3, open", "pulse +z, level 1, open, +5 K",
    ]  # fmt: skip
    outcomes = {run: one_case(plan.scenarios[run], 0) for run in range(plan.n_runs)}
    assert [o.error for o in outcomes.values()] == [None] * 6
    rows = worst_rows(plan, outcomes)
    assert [row["verdict"] for row in rows] == ["met", "met", "met", "met", "missed", "met"]
    # Slow pulse on a stiff mirror: tilt = I a/w^2, 77.6 urad at 10 g; 200 urad at 2.577 times that.
    tilt = 1e6 * 2000.0 * 10 * G / (2 * np.pi * 8000.0) ** 2
    for row, size in zip(rows, (1, 1, 0, 0, 3, 0), strict=True):
        if size:
            assert row["limits"][0]["value"] == pytest.approx(size * tilt, rel=5e-3)
    assert rows[0]["limits"][0]["factor"] == pytest.approx(200.0 / tilt, rel=0.05)
    # Missed at its own level: the margin lies below one.
    assert rows[4]["limits"][0]["factor"] == pytest.approx(200.0 / (3 * tilt), rel=0.05)
    assert rows[2]["limits"][0]["factor"] is None and rows[2]["limits"][0]["low"] == 8.0
    # 5 K tilt every mirror by 50 urad, and nothing brings it back.
    assert rows[5]["limits"][0]["value"] == pytest.approx(50.0, abs=1.0)


def test_a_campaign_that_was_killed_goes_on(tmp_path):
    short = TEXT.replace('[margins]\ntop = 8.0\nwithin_pct = 5.0\n', "")
    path, out = written(tmp_path, short), tmp_path / "out"
    with progress() as tell:
        whole = campaign(path, out, workers=1, progress=tell)
    first = json.loads((out / "campaign.json").read_text())
    lines = (out / "runs.jsonl").read_bytes().splitlines(keepends=True)
    (out / "runs.jsonl").write_bytes(b"".join(lines[:4]) + lines[4][:30])  # cut off while writing
    asked = []
    campaign(path, out, workers=1, progress=lambda begun, done, total: asked.append((begun, done)))
    assert asked[0] == (3, 3) and asked[-1] == (3, 6)
    again = json.loads((out / "campaign.json").read_text())
    assert again["cases"] == first["cases"] and again["verdict"] == whole.verdict
    assert first["cases"][4]["missed"] == ["max_urad"]
    page = (out / "report.html").read_text()
    for words in ("Matrix of verdicts", "Worst case of each limit", "Profile pulse", "Serial",
                  "Laboratory", "limits.max_urad", first["profile_hashes"]["pulse"]):  # fmt: skip
        assert words in page or words.lower() in page, words
    (spectrum,) = (row["shock_response_spectrum"] for row in first["spectra"])
    assert len(spectrum["frequency_hz"]) == len(spectrum["maximax_x_m_s2"]) > 20


def test_a_cluster_gives_the_same_matrix(tmp_path):
    distributed = pytest.importorskip(
        "distributed", reason='needs Dask: pip install "mirrorloop[cluster]"'
    )
    short = TEXT.replace('[margins]\ntop = 8.0\nwithin_pct = 5.0\n', "")
    path = written(tmp_path, short)
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None
    ) as cluster:
        there = campaign(path, tmp_path / "there", cluster=cluster.scheduler_address)
    here = campaign(path, tmp_path / "here", workers=1)
    assert there.rows == here.rows and there.verdict == here.verdict


@pytest.mark.parametrize(
    ("old", "new", "match"),
    [
        ('profile = "pulse"', 'profile = "puls"', '"puls" is none of pulse'),
        ('axes = ["x", "z"]', 'axes = ["u"]', '"u" is none of x, y, z'),
        ('kind = "shock"', 'kind = "shok"', 'Did you mean "shock"'),
        ("max_urad = 200.0", "max_ura = 200.0", "is no limit"),
        ("duration_ms = 11.0", "duration_ms = 500.0", "plays in part"),
        ("levels = [3.0]", "levels = [1.0]", "is there already"),
        ("[thermal]", "[termal]", "termal"),
        ("levels = [3.0]", 'set = ["limits.max_urad=300.0"]', "one set of limits"),
    ],
)
def test_bad_campaigns(tmp_path, old, new, match):
    with pytest.raises(ScenarioError, match=match):
        load_campaign(written(tmp_path, TEXT.replace(old, new, 1)))


def test_the_shipped_campaign_is_good():
    plan = load_campaign(gallery_folder() / "campaigns" / "harrow_point.toml")
    assert len(plan.cases) == 15
