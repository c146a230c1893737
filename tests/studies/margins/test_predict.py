"""Predicted residuals against closed forms, the simulation and a wrong prediction."""

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from sim.assembly.build import build
from sim.cli.main import cli
from sim.errors import ScenarioError
from sim.scenario.model import load_scenario
from sim.studies.margins.contributors import compare_contributors
from sim.studies.margins.margins import study
from sim.studies.margins.predict import predict
from sim.studies.margins.spectra import (
    Contributor,
    _banded,
    _banded_each,
    reading_scatter_rad,
    spectra_of,
)

ROOT = Path(__file__).parents[3]
HARROW = ROOT / "scenarios" / "harrow_point_reconfigure.toml"
SMALL = (
    "switch.connections=[[0,7],[13,20],[26,3],[39,41],[52,60],[65,78],[78,90],[91,11]]",
    "switch.moves=[]", "metrics.hold_from_ms=300", "duration_ms=1500",
    "disturbances.0.correlation_s=0.02", "disturbances.0.sigma_urad=30",
)  # fmt: skip
BUILT = build(load_scenario(HARROW, SMALL))


def test_white_noise_alone_is_the_noise_gain() -> None:
    # Second way: the integral of |T|^2 over white noise is the noise gain that the Lyapunov
    # equation gives. The hold interval of 1.2 s takes the slowest part out, below 2 % of it.
    result, spectra = study(BUILT, ()), spectra_of(BUILT)
    got = predict(BUILT, result.loop, spectra)
    i = got.names.index("measurement noise")
    expected = result.noise_gain * spectra.reading_rad**2
    np.testing.assert_allclose(got.variance_rad2[i], expected, rtol=0.03)


def test_fast_drift_is_the_stationary_wander() -> None:
    # Exact: an Ornstein-Uhlenbeck wander has the variance sigma^2; its density summed over the
    # bands must give that, but for what lies above 500 Hz: 2/pi atan(2 pi 500 tau) of it is below.
    spectra = spectra_of(BUILT)
    drift = next(c for c in spectra.contributors if c.name == "1. drift")
    total = (drift.density[:, 0, 0] * spectra.width_hz).sum()
    share = 2 / np.pi * np.arctan(2 * np.pi * 500 * 0.02)
    assert total == pytest.approx(30e-6**2 * share, rel=5e-3)


def test_periodograms_keep_the_power() -> None:
    # Exact (Parseval): the densities times the band widths are the variance; a sine's power stays
    # in its band.
    rng = np.random.default_rng(4)
    x = rng.standard_normal((4000, 2)) @ np.array([[1.0, 0.4], [0.0, 2.0]])
    edges = np.linspace(0.0, 500.0, 41)
    density = _banded(x, 1e-3, edges)
    total = (density * np.diff(edges)[:, None, None]).sum(axis=0)
    np.testing.assert_allclose(total, np.cov(x.T, bias=True), rtol=2e-3, atol=2e-3)
    own = (_banded_each(x - x.mean(axis=0), 1e-3, edges) * np.diff(edges)[:, None]).sum(axis=0)
    np.testing.assert_allclose(own, x.var(axis=0), rtol=2e-3)
    sine = np.sin(2 * np.pi * 106.25 * 1e-3 * np.arange(4000))[:, None]
    at = (_banded(sine, 1e-3, edges)[:, 0, 0] * np.diff(edges)).argmax()
    assert edges[at] <= 106.25 <= edges[at + 1]


def test_contributors_and_total_agree_with_the_simulation() -> None:
    # 16 mirrors, 1.2 s: about 2000 independent values of noise through a 15 Hz loop, 2 % in rms;
    # the drift of 20 ms has 60 correlation times on 32 axes, 3 %. The white model of DAC steps is
    # coarse (see its assumption): 20 %.
    got = compare_contributors(BUILT)
    rows = {row.name: row for row in got.rows}
    assert set(rows) == {"DAC steps", "measurement noise", "amplifier noise", "1. drift"}
    assert rows["measurement noise"].ratio == pytest.approx(1.0, abs=0.08)
    assert rows["1. drift"].ratio == pytest.approx(1.0, abs=0.08)
    assert rows["amplifier noise"].ratio == pytest.approx(1.0, abs=0.15)
    assert rows["DAC steps"].ratio == pytest.approx(1.0, abs=0.2)
    assert got.total.ratio == pytest.approx(1.0, abs=0.06)


def test_reading_scatter_follows_the_light() -> None:
    # With read noise and threshold as they are, ten times the light must scatter at least the root
    # of ten less; no light is no scatter, and is said.
    bright = build(load_scenario(HARROW, (*SMALL, "camera.signal_e=60000", "camera.bits=12")))
    ratio = reading_scatter_rad(BUILT) / reading_scatter_rad(bright)
    assert (ratio > 3**0.5).all()
    dark = build(load_scenario(HARROW, (*SMALL, "camera.signal_e=0")))
    with pytest.raises(ScenarioError, match="no mirror's spot could be read"):
        reading_scatter_rad(dark)


def test_error_beyond_the_loops_reach_is_added_as_it_is() -> None:
    result, spectra = study(BUILT, ()), spectra_of(BUILT)
    extra = Contributor("beyond", "tilt", np.zeros((len(spectra.frequency_hz), 1, 2)),
                        np.array([[1e-12, 4e-12]]))  # fmt: skip
    got = predict(BUILT, result.loop, spectra._replace(contributors=(extra,)))
    assert got.total_rad == pytest.approx(5**0.5 * 1e-6)


def test_command(tmp_path: Path) -> None:
    sets = [part for text in SMALL for part in ("--set", text)]
    done = CliRunner().invoke(
        cli, ["predict", str(HARROW), "--out", str(tmp_path / "p"), *sets, "--total-only"]
    )
    assert done.exit_code == 0, done.output
    rows = json.loads((tmp_path / "p" / "prediction.json").read_text())
    assert rows[-1]["contributor"] == "all together" and rows[0]["simulated_urad"] is None
    unstable = CliRunner().invoke(
        cli, ["predict", str(HARROW), "--out", str(tmp_path / "q"), *sets,
              "--set", "controller.integral_per_frame=1.5"]
    )  # fmt: skip
    assert unstable.exit_code == 2 and "a loop is unstable" in unstable.output
    assert not (tmp_path / "q").exists()


