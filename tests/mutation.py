"""Measure the tests by small faults put into the code: `python tests/mutation.py sim/optics`.

    FOLDER ...      what to change; one mutant of each in turn
    --skip PATH     tests to leave out, several if wanted
    --sample N      how many mutants of each folder, drawn at random (150)
    --seed N        which ones (0)
    --out FILE      what became of each, a line a mutant; those in it already are not run again
    --again         run those again that lived
    --budget S      processor time of the tests that one mutant meets, at most (20)
    --lines         run each test once at first, to see which lines it reaches (extra `dev`)

Each mutant is put in place in a forked process, and meets tests until one fails: with `--lines`
those that reach its line, quick ones first; else those in files that import its module, then the
others. Tests are those of the folder of the same name in `tests/`.
"""

import argparse
import json
import math
import os
import random
import resource
import signal
import sys
import time
from collections import defaultdict
from functools import cache
from itertools import zip_longest
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[1]
sys.path[:0] = [str(ROOT), str(ROOT / "sim" / "public")]

import pytest  # noqa: E402
from _pytest.runner import runtestprotocol  # noqa: E402

from tests.mutants import Mutant, mutants_of, put_in_place, shown_change  # noqa: E402

LIVED, DIED, UNREACHED = "lived", "died", "unreached"


class Measure:
    """Runs the tests of a session for their lines, then for each mutant."""

    def __init__(
        self, folders: list[str], mutants: list[Mutant], out: Path, budget_s: float, *, lines: bool
    ) -> None:
        self.mutants, self.out, self.budget_s = mutants, out, budget_s
        self.lines: Any = None
        if lines:
            import coverage

            places = [f"{ROOT / folder}/*" for folder in folders]
            self.lines = coverage.Coverage(data_file=None, include=places)
        self.took: dict[str, float] = {}
        self.shared = ""

    @pytest.hookimpl(wrapper=True)
    def pytest_fixture_setup(self, fixturedef: Any, request: Any) -> Any:
        """Count what a shared fixture reaches for all tests of its file."""
        if fixturedef.scope == "function" or not self.shared:
            return (yield)
        self.lines.switch_context(self.shared.partition("::")[0])
        try:
            return (yield)
        finally:
            self.lines.switch_context(self.shared)

    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        """Run every mutant."""
        items = session.items
        if self.lines is None:
            for mutant in self.mutants:
                self._judge(mutant, _by_import(items, mutant))
            return True
        self.lines.start()
        for item, following in zip(items, [*items[1:], None], strict=True):
            self.shared = item.nodeid
            self.lines.switch_context(item.nodeid)
            began = time.process_time()
            reports = runtestprotocol(item, nextitem=following, log=False)
            self.took[item.nodeid] = time.process_time() - began
            failed = [r for r in reports if r.failed]
            if failed:
                say(f"not counted, fails without a mutant: {item.nodeid}: {failed[0].longreprtext}")
                del self.took[item.nodeid]
        self.lines.stop()
        self.shared = ""
        say(f"{len(items)} tests in {sum(self.took.values()):.0f} s of processor time")
        reached = self._reached()
        by_name = {item.nodeid: item for item in items}
        for mutant in self.mutants:
            lines = range(mutant.statement, mutant.line + 1)
            names = set().union(*(reached[mutant.file, line] for line in lines))
            names |= {
                name for name in self.took if name.partition("::")[0] in names
            }  # reached through a shared fixture
            chosen = sorted((n for n in names if n in self.took), key=self.took.__getitem__)
            self._judge(mutant, [by_name[name] for name in chosen])
        return True

    def _reached(self) -> dict[tuple[str, int], set[str]]:
        data = self.lines.get_data()
        reached: dict[tuple[str, int], set[str]] = defaultdict(set)
        for name in data.measured_files():
            shown = str(Path(name).relative_to(ROOT))
            for line, contexts in data.contexts_by_lineno(name).items():
                reached[shown, line] |= {c for c in contexts if c}
        return reached

    def _judge(self, mutant: Mutant, items: list[pytest.Item]) -> None:
        kept, total_s = [], 0.0
        for item in items:
            total_s += self.took.get(item.nodeid, 0.0)
            if kept and total_s > self.budget_s:
                break
            kept.append(item)
        by = ""
        if not kept:
            end = UNREACHED
        else:
            reading, writing = os.pipe()
            child = os.fork()
            if child == 0:
                os.close(reading)
                try:
                    _meet(mutant, kept, writing, self.budget_s)
                finally:
                    os._exit(3)
            os.close(writing)
            with open(reading, encoding="utf-8") as pipe:
                by = pipe.read()
            _, status = os.waitpid(child, 0)
            end = LIVED if os.waitstatus_to_exitcode(status) == 0 else DIED
            by = by or ("" if end == LIVED else f"status {os.waitstatus_to_exitcode(status)}")
        record = {"name": mutant.name, "function": mutant.function, "end": end, "by": by,
                  "tests": len(kept), "left_out": len(items) - len(kept),
                  "change": shown_change(mutant, ROOT)}  # fmt: skip
        with open(self.out, "a", encoding="utf-8") as file:
            file.write(json.dumps(record) + "\n")


def _by_import(items: list[pytest.Item], mutant: Mutant) -> list[pytest.Item]:
    """Return all tests, those in files that import the mutant's module first."""
    module = mutant.file.removesuffix(".py").removesuffix("/__init__").replace("/", ".")
    own = [item for item in items if item.path.is_relative_to(_tests_of(mutant.folder))]
    name = module.rpartition(".")[2]

    def rank(item: pytest.Item) -> int:
        text = _text_of(item.path)
        by_name = item.path.stem == f"test_{name}"
        return 0 if by_name else 1 if module in text else 2

    return sorted(own, key=rank)


def _tests_of(folder: str) -> Path:
    return ROOT / "tests" / Path(folder).name


@cache
def _text_of(path: Path) -> str:
    return path.read_text(encoding="utf-8")


def _meet(mutant: Mutant, items: list[pytest.Item], writing: int, budget_s: float) -> None:
    """Run tests on a mutant, in a process of its own, and end it: 0 if all pass, 1 if one fails."""
    began_s = time.process_time()
    most_s = int(5 * budget_s + 20 + began_s)
    resource.setrlimit(resource.RLIMIT_CPU, (most_s, most_s))
    signal.alarm(1800)
    put_in_place(mutant, ROOT) or os._exit(4)
    for module in list(sys.modules.values()):
        if getattr(module, "__name__", "").startswith(("sim.", "controllers.")):
            for thing in list(vars(module).values()):
                if hasattr(thing, "cache_clear"):
                    thing.cache_clear()
    for item, following in zip(items, [*items[1:], None], strict=True):
        if time.process_time() - began_s > budget_s:
            break
        try:
            failed = [r for r in runtestprotocol(item, nextitem=following, log=False) if r.failed]
        except BaseException as exc:
            os.write(writing, f"{item.nodeid}: {type(exc).__name__}".encode())
            os._exit(1)
        if failed:
            os.write(writing, item.nodeid.encode())
            os._exit(1)
    os._exit(0)


def say(text: str) -> None:
    """Print, whatever the tests' output is caught by."""
    print(text, file=sys.__stdout__, flush=True)


def interval(hits: int, count: int) -> tuple[float, float]:
    """Return Wilson's 95 % interval of a share."""
    z, share = 1.96, hits / count
    middle = (share + z * z / (2 * count)) / (1 + z * z / count)
    half = z / (1 + z * z / count) * math.sqrt(share * (1 - share) / count + (z / (2 * count)) ** 2)
    return middle - half, middle + half


def main() -> int:
    """Draw the mutants, run them, and print the score."""
    parser = argparse.ArgumentParser(description="Measure the tests by small faults in the code.")
    parser.add_argument("folder", nargs="+")
    parser.add_argument("--skip", action="append", default=[])
    parser.add_argument("--sample", type=int, default=150)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--out", type=Path, default=Path("mutation.jsonl"))
    parser.add_argument("--again", action="store_true")
    parser.add_argument("--budget", type=float, default=20.0)
    parser.add_argument("--lines", action="store_true")
    chosen = parser.parse_args()
    drawn: dict[str, list[Mutant]] = {}
    for folder in chosen.folder:
        files = sorted((ROOT / folder).rglob("*.py"))
        every = [m._replace(folder=folder) for path in files for m in mutants_of(path, ROOT)]
        count = min(chosen.sample, len(every))
        drawn[folder] = random.Random(chosen.seed).sample(every, count)
        say(f"{folder}: {len(every)} mutants, {count} drawn")
    known = _known(chosen.out)
    due = [
        m for turn in zip_longest(*drawn.values()) for m in turn
        if m and (m.name not in known or (chosen.again and known[m.name]["end"] != DIED))
    ]  # fmt: skip
    if due:
        ended = pytest.main(
            ["-q", "-p", "no:cacheprovider", *(f"--ignore={skip}" for skip in chosen.skip),
             *(str(_tests_of(folder)) for folder in chosen.folder)],
            plugins=[Measure(chosen.folder, due, chosen.out, chosen.budget, lines=chosen.lines)],
        )  # fmt: skip
        if ended not in (pytest.ExitCode.OK, pytest.ExitCode.NO_TESTS_COLLECTED):
            return int(ended)
    known = _known(chosen.out)
    for folder, mutants in drawn.items():
        ends = [known[m.name]["end"] for m in mutants if m.name in known]
        died = ends.count(DIED)
        low, high = interval(died, len(ends))
        say(f"{folder}: {died} of {len(ends)} died, {died / len(ends):.1%} "
            f"({low:.1%} to {high:.1%}), {ends.count(LIVED)} lived, "
            f"{ends.count(UNREACHED)} unreached")  # fmt: skip
    return 0


def _known(out: Path) -> dict[str, dict[str, Any]]:
    lines = out.read_text(encoding="utf-8").splitlines() if out.exists() else []
    return {record["name"]: record for record in map(json.loads, lines)}


if __name__ == "__main__":
    sys.exit(main())
