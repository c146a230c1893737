"""Command lines made from what the commands say of themselves, with good and with odd words."""

import contextlib
import os
import random
from collections import Counter
from pathlib import Path

import click
import numpy as np
import tomli_w
from click.testing import CliRunner

from sim.cli.main import cli
from sim.scenario.gallery import find, gallery_folder
from sim.scenario.model import load_scenario
from sim.scenario.portable import portable_toml
from tests.mutated import LONGEST_S, good, limited

OVERRIDES = (
    "duration_ms=25", "seed=7", "camera.signal_e=3000", "controller={kind='open_loop'}",
    "estimator.threshold_dn=40", "metrics.hold_from_ms=10", "camera.noise='none'",
    "duration_ms=-1", "nothing.here=1", "duration_ms", "=", "seed=1e400", "title=3", "a.b.c=[[[",
    "switch.moves.9.at_ms=1", "controller.kind='os.path:join'", "camera.window_px=[24,1000000]",
    "mirror=1", "disturbances=[{kind='drift'}]", "x" * 300,
)  # fmt: skip
GOOD = 7
"""So many of them are good ones."""
VARIED = (
    "camera.signal_e=2000,3000", "seed=1", "camera.signal_e=1..2/3", "=", "nothing=1,2",
    "camera.signal_e=1..2/99999999999", "camera.signal_e=uniform(1,2)", "camera.signal_e=normal(0",
    "duration_ms=25,x",
)  # fmt: skip
SMALL = (
    "switch.geometry.ports_per_side=8", "switch.geometry.columns=4",
    "switch.budget.ports_in_service=7", "life.years=0.05",
    "boards={a=['A00-A03'],b=['A04-A07'],c=['B00-B03'],d=['B04-B07']}",
    "duration_ms=20", "metrics.hold_from_ms=10",
)  # fmt: skip
"""Of the case with a life: a switch of eight ports."""
WORDS = {
    "at": "10", "at_c": "25", "at_year": "0.02", "axes": "x", "frames": "128", "levels": "1,2",
    "loops": "open", "margin_loops": "none", "nominal": "half_sine:1:11", "overlap_s": "0.02",
    "profiles": "shock:pulse=half_sine,peak_g=1,duration_ms=5,start_ms=15", "required": "1:1,10:2",
    "seeds": "1", "senses": "+,-", "switches": "2", "tolerance_switches": "2", "years": "0.05",
    "weights": "ghost=2", "within": "50",
}  # fmt: skip
"""Good words for options that want neither a file nor a plain number."""
OF_COMMAND = {
    ("estimators", "axes"): "ghost", ("estimators", "points"): "ghost=5",
    ("estimators", "frames"): "frames.npy", ("estimators", "truth"): "truth.csv",
    ("margins", "loops"): "A05", ("extrapolate", "years"): "1", ("tune", "vary"): "gain=0.1..0.4",
    ("formats", "vary"): "estimator.position_fraction=6",
}  # fmt: skip
ALWAYS = {
    "campaign": ("--workers", "1"), "estimators": ("--points", "ghost=5"),
    "formats": ("--vary", "estimator.position_fraction=6"),
    "life": ("--workers", "1"), "record": ("--frames", "128"), "replay": ("--margins", "none"),
    "sweep": ("--workers", "1"), "yield": ("--switches", "2", "--tolerances", "0"),
}  # fmt: skip
"""What keeps a command short, said at its beginning: what is said after it wins."""
ODD = (
    "", " ", "-", "--", "0", "-1", "1", "2", "3.5", "nan", "inf", "1e309", "99999999999999999999",
    "x", "identity", "../..", "/dev/null", "/proc/self/mem", "a" * 300, "\x1b[31m", "\u202e", "=",
)  # fmt: skip
AGE_LOG = "hours,shift_urad\n" + "".join(f"{h},{3 * h**0.3:.4f}\n" for h in (1, 3, 9, 27, 81, 243))
MOUNTS = "".join(
    f"[{name}]\nresonance_hz = [{hz}, {hz}, {hz}]\nquality = [4.0, 4.0, 4.0]\n"
    "clearance_mm = [50.0, 50.0, 50.0]\n"
    for name, hz in (("soft", 8.0), ("stiff", 25.0))
)
CAMPAIGN = """
title = "One pulse"
scenario = "good.toml"

[limits]
max_urad = 200.0

[profiles.pulse]
kind = "shock"
pulse = "half_sine"
peak_g = 1.0
duration_ms = 5.0

[[cases]]
profile = "pulse"
axes = ["x"]
loops = ["open"]
"""
SHOCK = {
    "kind": "shock", "pulse": "half_sine", "peak_g": 1.0, "duration_ms": 5.0, "direction": "x",
    "start_ms": 15.0,
}  # fmt: skip
NEVER = {"cluster", "workers"}
"""Options that start programs of their own; commands with runs get one worker."""


class Files:
    """Files for the words of command lines; the costly ones are made when first asked for."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        tree = good()
        tree["duration_ms"] = 25.0
        self._put("good.toml", tomli_w.dumps(tree))
        self._put("event.toml", tomli_w.dumps(tree | {"disturbances": [SHOCK]}))
        self._put("broken.toml", "a = [1,\nsecret")
        self._put("other.toml", 'other = "secret"\n')
        (folder / "binary.toml").write_bytes(bytes(range(256)))
        self._put("empty", "")
        (folder / "folder").mkdir()
        (folder / "kept").mkdir()
        self._put("kept/code.py", "secret = 1")
        os.mkfifo(folder / "pipe")
        (folder / "loop").symlink_to("loop")
        self.bad = [
            "broken.toml", "other.toml", "binary.toml", "empty", "folder", "pipe", "loop", "gone",
        ]  # fmt: skip
        self.makers = {
            "switch.toml": self._switch,
            "log.csv": lambda: self._put("log.csv", AGE_LOG),
            "mounts.toml": lambda: self._put("mounts.toml", MOUNTS),
            "campaign.toml": lambda: self._put("campaign.toml", CAMPAIGN),
            "series": lambda: self._done("record", "good.toml", "series", "--frames", "128"),
            "ran": lambda: self._done("run", "good.toml", "ran"),
            "lived": lambda: self._done("life", "switch.toml", "lived"),
            "mechanisms.toml": self._mechanisms,
            "frames.npy": lambda: np.save(folder / "frames.npy", np.full((2, 24, 24), 60)),
            "truth.csv": lambda: self._put("truth.csv", "x_px,y_px\n11.5,11.5\n11.5,11.5\n"),
        }

    def named(self, name: str) -> str:
        """Return the path of a file, which is made now if it is not there yet."""
        if name in self.makers and not (self.folder / name).exists():
            self.makers[name]()
        return str(self.folder / name)

    def _put(self, name: str, text: str) -> None:
        (self.folder / name).write_text(text, encoding="utf-8")

    def _switch(self) -> None:
        self._put("switch.toml", portable_toml(load_scenario(find("harrow_point_life"), SMALL)))

    def _mechanisms(self) -> None:
        example = gallery_folder() / "profiles" / "mechanisms.toml"
        self._put("mechanisms.toml", example.read_text(encoding="utf-8"))

    def _done(self, command: str, scenario: str, out: str, *more: str) -> None:
        words = [command, self.named(scenario), "--out", str(self.folder / out), *more]
        assert CliRunner().invoke(cli, words).exit_code in (0, 1), words


def wanted_file(command: str, param: str) -> str:
    """Return which of the files is the good one for a parameter of a command."""
    needs_switch = command in ("connections", "life", "yield") or param == "at_year"
    plays = command in ("isolators", "profiles", "replay")
    scenario = "switch.toml" if needs_switch else "event.toml" if plays else "good.toml"
    log = "series" if command == "identify" else "log.csv"
    return {
        "campaign_file": "campaign.toml", "figures": "mechanisms.toml", "life_from": "lived",
        "log": log, "mounts": "mounts.toml", "servo_from": "ran",
    }.get(param, scenario)  # fmt: skip


def made(rng: random.Random, files: Files) -> list[str]:
    """Return the words of one command line."""
    commands = cli.all_commands(click.Context(cli))
    names = sorted(commands)
    name = rng.choice(names) if rng.random() < 0.95 else rng.choice(["", "runn", "--help", "-h"])
    words = [name, *ALWAYS.get(name, ())]
    command = commands.get(name)
    for param in [] if command is None else command.params:
        words += _words_of(rng, name, param, files)
    if rng.random() < 0.08:
        words.insert(rng.randrange(1, len(words) + 1), rng.choice([*ODD, "--bogus", "--help"]))
    if rng.random() < 0.05 and len(words) > 2:
        words.pop(rng.randrange(1, len(words)))
    return words


def _words_of(
    rng: random.Random, command: str, param: click.Parameter, files: Files
) -> list[str]:
    name = str(param.name)
    if name in NEVER:
        return []
    if isinstance(param, click.Argument):
        if name == "scenario" and command == "run" and rng.random() < 0.1:
            return [files.named("switch.toml")]
        return [_file(rng, command, name, files) if rng.random() < 0.95 else rng.choice(ODD)]
    assert isinstance(param, click.Option)
    if rng.random() > (0.97 if param.required else 0.15):
        return []
    option = param.opts[0]
    if param.is_flag:
        return [option]
    if rng.random() < 0.05:
        return [option, rng.choice(ODD)]
    if name == "overrides":
        return [option, rng.choice(OVERRIDES[:GOOD] if rng.random() < 0.8 else OVERRIDES)]
    if name == "vary" and command == "sweep":
        return [option, VARIED[0] if rng.random() < 0.6 else rng.choice(VARIED)]
    if name == "out":
        fresh = f"out{rng.randrange(10**6)}"
        place = fresh if rng.random() < 0.8 else rng.choice(["out", "kept", "empty", "loop", "a/b"])
        return [option, str(files.folder / place)]
    if isinstance(param.type, click.Choice):
        return [option, str(rng.choice(list(param.type.choices)))]
    word = OF_COMMAND.get((command, name), WORDS.get(name))
    if word is not None and rng.random() < 0.9:
        return [option, files.named(word) if word in files.makers else word]
    if isinstance(param.type, click.types.FloatParamType | click.types.IntParamType):
        return [option, rng.choice(["1", "2", "3"])]
    return [option, _file(rng, command, name, files)]


def _file(rng: random.Random, command: str, param: str, files: Files) -> str:
    good_one = rng.random() < 0.85
    return files.named(wanted_file(command, param) if good_one else rng.choice(files.bad))


def ended(words: list[str]) -> str:
    """Return how a command line ends: accepted, or refused with one message.

    Raises
    ------
    AssertionError
        If it ends in anything else.
    """
    with limited(LONGEST_S):
        done = CliRunner().invoke(cli, words)
    said = done.output
    assert "Traceback" not in said and "secret" not in said, said[-500:]
    if done.exit_code in (0, 1):
        return "accepted"
    assert done.exit_code == 2 and "error: " in done.stderr, (done.exit_code, said[-500:])
    return "refused"


def searched(count: int, seed: int, folder: Path, report: list[str]) -> Counter[str]:
    """Try `count` command lines; what ends in anything else is put on the report."""
    files = Files(folder)
    seen: Counter[str] = Counter()
    for number in range(seed, seed + count):
        words = made(random.Random(number), files)
        try:
            with contextlib.chdir(folder):  # an odd name of an output lands here
                seen[ended(words)] += 1
        except BaseException as exc:
            if isinstance(exc, KeyboardInterrupt):
                raise
            seen["anything else"] += 1
            report.append(f"command line {number}: {words}: {type(exc).__name__}: {exc}")
        assert (folder / "kept" / "code.py").exists(), words
    return seen
