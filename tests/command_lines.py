"""Command lines made from what the commands say of themselves, with good and with odd words."""

import os
import random
from collections import Counter
from pathlib import Path

import click
import tomli_w
from click.testing import CliRunner

from sim.cli.main import cli
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
ODD = (
    "", " ", "-", "--", "0", "-1", "1", "2", "3.5", "nan", "inf", "1e309", "99999999999999999999",
    "x", "identity", "../..", "/dev/null", "/proc/self/mem", "a" * 300, "\x1b[31m", "\u202e", "=",
)  # fmt: skip
NEVER = {"cluster", "workers"}
"""Options that start programs of their own; sweeps get one worker."""


def made_files(folder: Path) -> list[str]:
    """Write a small scenario and files that are none, and return names to use in their place."""
    tree = good()
    tree["duration_ms"] = 25.0
    (folder / "good.toml").write_text(tomli_w.dumps(tree), encoding="utf-8")
    (folder / "broken.toml").write_text("a = [1,\nsecret", encoding="utf-8")
    (folder / "other.toml").write_text('other = "secret"\n', encoding="utf-8")
    (folder / "binary.toml").write_bytes(bytes(range(256)))
    (folder / "empty").write_text("")
    (folder / "folder").mkdir()
    (folder / "kept").mkdir()
    (folder / "kept" / "code.py").write_text("secret = 1")
    os.mkfifo(folder / "pipe")
    (folder / "loop").symlink_to("loop")
    names = ["good.toml"] * 40 + [
        "broken.toml", "other.toml", "binary.toml", "empty", "folder", "pipe", "loop", "gone",
    ]  # fmt: skip
    return [str(folder / name) for name in names]


def made(rng: random.Random, files: list[str], folder: Path) -> list[str]:
    """Return the words of one command line."""
    names = sorted(cli.commands)
    name = rng.choice(names) if rng.random() < 0.95 else rng.choice(["", "runn", "--help", "-h"])
    words = [name]
    command = cli.commands.get(name)
    for param in [] if command is None else command.params:
        words += _words_of(rng, param, files, folder)
    if name == "sweep":
        words += ["--workers", "1"]
    if rng.random() < 0.08:
        words.insert(rng.randrange(1, len(words) + 1), rng.choice([*ODD, "--bogus", "--help"]))
    if rng.random() < 0.05 and len(words) > 2:
        words.pop(rng.randrange(1, len(words)))
    return words


def _words_of(
    rng: random.Random, param: click.Parameter, files: list[str], folder: Path
) -> list[str]:
    if param.name in NEVER:
        return []
    if isinstance(param, click.Argument):
        return [rng.choice(files)] if rng.random() < 0.95 else [rng.choice(ODD)]
    assert isinstance(param, click.Option)
    if rng.random() > (0.97 if param.required or param.name == "out" else 0.15):
        return []
    option = param.opts[0]
    if param.is_flag:
        return [option]
    if rng.random() < 0.05:
        return [option, rng.choice(ODD)]
    if param.name == "overrides":
        return [option, rng.choice(OVERRIDES[:GOOD] if rng.random() < 0.8 else OVERRIDES)]
    if param.name == "vary":
        return [option, VARIED[0] if rng.random() < 0.6 else rng.choice(VARIED)]
    if param.name == "out":
        fresh = f"out{rng.randrange(10**6)}"
        place = fresh if rng.random() < 0.8 else rng.choice(["out", "kept", "empty", "loop", "a/b"])
        return [option, str(folder / place)]
    if isinstance(param.type, click.Choice):
        return [option, str(rng.choice(list(param.type.choices)))]
    if isinstance(param.type, click.types.FloatParamType | click.types.IntParamType):
        return [option, rng.choice(["1", "2", "3"])]
    return [option, rng.choice(files)]


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
    files = made_files(folder)
    seen: Counter[str] = Counter()
    for number in range(seed, seed + count):
        words = made(random.Random(number), files, folder)
        try:
            seen[ended(words)] += 1
        except BaseException as exc:
            if isinstance(exc, KeyboardInterrupt):
                raise
            seen["anything else"] += 1
            report.append(f"command line {number}: {words}: {type(exc).__name__}: {exc}")
        assert (folder / "kept" / "code.py").exists(), words
    return seen
