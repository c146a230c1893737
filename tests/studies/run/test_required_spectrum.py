"""A required response spectrum that an event does not reach: no run, replay or case passes."""

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from sim.assembly.build import build
from sim.cli.main import cli
from sim.scenario.model import load_scenario
from sim.studies.campaign.one_case import one_case
from sim.studies.campaign.plan import load_campaign
from sim.studies.played.required_spectrum import missed_spectra, reached_by
from sim.studies.replay.study import replay

ONE = Path(__file__).parents[2] / "one_mirror.toml"
PULSE = ('{kind="shock", pulse="half_sine", peak_g=5.0, duration_ms=11.0, direction="-y", '
         "start_ms=20.0}")  # fmt: skip
AROUND = '{kind="ambient_vibration", direction="y", tones=[{hz=200.0, peak_g=1e-3}]}'
SHOCK = f"disturbances=[{PULSE}, {AROUND}]"


def required(times: float, quality: float = 10.0) -> tuple[str, str]:
    """From f D = 0.8 to f D = 1, so many times the pulse's peak of 5 g."""
    corners = ", ".join(f"{{hz={fd / 0.011}, g={5.0 * times}}}" for fd in (0.8, 1.0))
    return (f"requirements.response_spectrum=[{corners}]",
            f"requirements.response_quality={quality}")  # fmt: skip


@pytest.mark.parametrize(("quality", "at_end"), [(10.0, 1.62379), (1000.0, 1.73205)])
def test_share_of_the_required_spectrum_is_that_of_the_tabled_pulse(quality, at_end):
    # Maximax of a half-sine over its peak at f D = 1: 1.62379 for Q = 10 (ODE solver), 1.73205
    # undamped (closed form; Q = 1000 takes 0.2 % off it). It is higher everywhere down to 0.8.
    (found,) = reached_by(build(load_scenario(ONE, (SHOCK, *required(2.0, quality)))))
    assert found.share == pytest.approx(at_end / 2.0, rel=2e-3)
    assert found.at_hz == pytest.approx(1.0 / 0.011)


@pytest.mark.parametrize(
    ("more", "count"),
    [((), 0), (required(1.6), 0), (required(1.7), 1), (("disturbances=[]", *required(1.0)), 1)],
)
def test_what_is_missed(more, count):
    # Steady surroundings are held to nothing; without an event a requirement cannot be reached.
    assert len(missed_spectra(build(load_scenario(ONE, (SHOCK, *more))))) == count


def test_run_replay_and_campaign_do_not_pass_with_it(tmp_path):
    out, words = tmp_path / "out", ["--set", SHOCK, "--set", "limits.max_urad=500.0"]
    for text in required(1.7):
        words += ["--set", text]
    done = CliRunner().invoke(cli, ["run", str(ONE), "--out", str(out), *words])
    said = " ".join(done.output.split())
    assert done.exit_code == 1 and "Not shown: the half-sine shock reaches 95.5 %" in said
    verdict = json.loads((out / "results.json").read_text())["verdict"]
    assert verdict["word"] == "not shown" and len(verdict["spectra_missed"]) == 1
    checked = CliRunner().invoke(cli, ["check", str(ONE), *words])
    assert checked.exit_code == 1 and "warning: not shown: the half-sine" in checked.output

    scenario = load_scenario(ONE, (SHOCK, "limits.max_urad=500.0", *required(1.7)))
    found = replay(scenario, axes=("y",), senses=("-",), levels=(1.0, 1.1), loops=("closed",),
                   margin_loops=())  # fmt: skip
    assert [case["verdict"] for case in found.cases] == ["not shown", "met"]
    assert "1 more is not shown" in found.verdict

    path = tmp_path / "campaign.toml"
    path.write_text(
        f'title = "T"\nscenario = "{ONE}"\nset = {json.dumps(list(required(1.7)))}\n'
        "[limits]\nmax_urad = 500.0\n"
        '[profiles.pulse]\nkind = "shock"\npulse = "half_sine"\npeak_g = 5.0\n'
        "duration_ms = 11.0\n"
        '[[cases]]\nprofile = "pulse"\nlevels = [1.0, 1.1]\n'
    )
    outcomes = [one_case(text, 0) for text in load_campaign(path).scenarios]
    assert [o.limits_missed for o in outcomes] == [("not shown",), ()]
    assert "95.5 %" in outcomes[0].figures["reasons.not_shown"][0]
