"""Parts of the user's own, and the scenarios that name them, for the tests of outside code."""

from pathlib import Path

from click.testing import CliRunner

from sim.cli.main import cli

ONE_MIRROR = Path(__file__).parents[1] / "one_mirror.toml"
LEAKY = '''
import numpy as np
from sim.foundations.params import Block, Fraction

class LeakyParams(Block):
    gain: Fraction

class Leaky:
    Params = LeakyParams

    def __init__(self, params, plant):
        self.params = params

    def initial_state(self, n_mirrors):
        return np.zeros((n_mirrors, 2))

    def step(self, state, reading, setpoint):
        seen = np.isfinite(reading.tilt_rad)
        error = np.where(seen, setpoint.reference_rad - reading.tilt_rad, 0.0)
        correction = np.clip(
            0.99 * state + self.params.gain * error, setpoint.lowest_rad, setpoint.highest_rad
        )
        return correction, correction
'''
READER = '''
from sim.estimators import EstimatorKind
from sim.estimators.centroid import thresholded_centroid
from sim.estimators.settings import SpotSettings

class Params(SpotSettings):
    threshold_dn: int

def read(frames_dn, *, camera, **settings):
    reading = thresholded_centroid(frames_dn, camera=camera, **settings)
    BODY
    return reading

Reader = EstimatorKind(read, Params)
'''
CONTROLLER = 'controller = {{kind = "{kind}", gain = 0.3}}\n'
ESTIMATOR = (
    'estimator = {{kind = "{kind}", threshold_dn = 800, min_flux_dn = 1500.0, edge_px = 3.0}}\n'
)


def case(folder: Path, line: str, **files: str) -> Path:
    """Write a scenario of one part in a folder, beside files of code."""
    for name, text in files.items():
        (folder / f"{name}.py").write_text(text, encoding="utf-8")
    path = folder / "case.toml"
    path.write_text(f'base = "{ONE_MIRROR.as_posix()}"\n{line}', encoding="utf-8")
    return path


def mirrorloop(*arguments):
    return CliRunner().invoke(cli, [str(argument) for argument in arguments])


def refused(folder: Path, line: str, command: str = "run", **files: str) -> str:
    """Return the one message of a run that is refused with exit code 2, writing nothing."""
    path = case(folder, line, **files)
    out = ("--out", folder / "out") if command == "run" else ("--load",)
    outcome = mirrorloop(command, path, *out)
    assert outcome.exit_code == 2, outcome.output
    assert not (folder / "out").exists()
    message = outcome.stderr.splitlines()[-1]
    assert message.startswith("error: ")
    assert outcome.stderr.count("error: ") == 1 and "Traceback" not in outcome.stderr
    return message


def package(folder: Path, name: str, points: str, module: str = LEAKY) -> None:
    """Lay a package down as an installer does: its module, and what it says of itself."""
    (folder / f"{name}.py").write_text(module, encoding="utf-8")
    info = folder / f"{name}-1.2.dist-info"
    info.mkdir()
    (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {name}\nVersion: 1.2\n")
    (info / "entry_points.txt").write_text(points)
