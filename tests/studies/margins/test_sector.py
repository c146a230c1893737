"""Controllers that are not linear, from a file of one's own, through the commands."""

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result

from sim.cli.main import cli
from tests.studies.margins.test_margins import HARROW, SETS

OWN = '''
from typing import NamedTuple
import numpy as np
from mirrorloop import Block

class Params(Block):
    gain: float = 0.2

class Base:
    Params = Params
    def __init__(self, params, plant):
        self.gain = params.gain
    def initial_state(self, n_mirrors):
        return np.zeros((n_mirrors, 2))
    def step(self, state, reading, setpoint):
        seen = (reading.status == 0)[:, None]
        e = np.where(seen, setpoint.reference_rad - reading.tilt_rad, 0.0)
        state = self.sum(state, e)
        return state, np.clip(state, setpoint.lowest_rad, setpoint.highest_rad)

class DeadBand(Base):
    def sum(self, state, e):
        return state + self.gain * (e - np.clip(e, -4e-5, 4e-5))

class Schedule(Base):
    def sum(self, state, e):
        return state + self.gain * e * np.where(np.abs(e) > 1e-4, 1.0, 0.5)

class Leaky(Base):
    def sum(self, state, e):
        return 1e-5 * np.round((0.9 * state + self.gain * e) / 1e-5)
'''


@pytest.fixture(scope="module")
def own(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("own") / "laws.py"
    path.write_text(OWN)
    return path


def margins(own: Path, name: str, out: Path, *more: str) -> Result:
    kind = f'controller.kind="{own}:{name}"'
    sets = [part for text in (kind, *more) for part in ("--set", text)]
    return CliRunner().invoke(cli, ["margins", str(HARROW), "--out", str(out), *SETS, *sets])


@pytest.mark.parametrize(("name", "sector"), [("DeadBand", (0.0, 1.0)), ("Schedule", (0.5, 1.0))])
def test_a_static_nonlinearity_is_answered_by_the_circle_criterion(
    own: Path, tmp_path: Path, name: str, sector: tuple[float, float]
) -> None:
    out = tmp_path / "m"
    done = margins(own, name, out)
    assert done.exit_code == 0, done.output
    assert "the controller is not linear, so no margins" in done.output
    assert "Certain by the circle criterion: 16 of 16 mirrors stable" in done.output
    said = json.loads((out / "summary.json").read_text())
    assert said["sector"] == pytest.approx(sector, abs=2e-3)
    rows = json.loads((out / "sector.json").read_text())
    assert len(rows) == 32 and all(r["circle_certain"] for r in rows)
    # What is certain cannot exceed the limit of the linear loop at the sector's upper end.
    for r in rows:
        assert 0 < r["circle_margin_db"] < r["describing_margin_db"] + 0.01
    assert not (out / "margins.json").exists()
    assert "Certain by the circle criterion" in (out / "report.html").read_text()


def test_what_is_not_certain_ends_with_one(own: Path, tmp_path: Path) -> None:
    done = margins(own, "DeadBand", tmp_path / "m", "controller.gain=0.9")
    assert done.exit_code == 1 and "Not certain" in done.output
    row = json.loads((tmp_path / "m" / "sector.json").read_text())[0]
    assert row["circle_margin_db"] is None or row["circle_margin_db"] < 0


@pytest.mark.parametrize("command", ["margins", "sensitivity", "predict", "tune"])
def test_without_a_sector_it_is_refused_with_what_was_seen(
    own: Path, tmp_path: Path, command: str
) -> None:
    out = tmp_path / "m"
    vary = ["--vary", "gain=0.1..0.2"] if command == "tune" else []
    done = CliRunner().invoke(
        cli, [command, str(HARROW), "--out", str(out), *SETS, *vary,
              "--set", f'controller.kind="{own}:Leaky"']
    )  # fmt: skip
    assert done.exit_code == 2, done.output
    assert "seen: rounding: the correction moves in steps of 10 urad" in done.output
    assert not out.exists()
    assert np.char.count(done.output, "Traceback") == 0
