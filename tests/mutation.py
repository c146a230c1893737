"""Measure the tests by small faults put into the code: `python tests/mutation.py sim/optics`.

    FOLDER ...      what to change; one mutant of each in turn
    --skip PATH     tests to leave out, several if wanted
    --sample N      how many mutants of each folder, drawn at random (150)
    --seed N        which ones (0); a smaller sample is the beginning of a larger one
    --out FILE      what became of each, a line a mutant; those in it already are not run again
    --again         run those again that lived, or that no test reached
    --budget S      processor time of the tests that one mutant meets, at most (20)

Needs the extra `dev`. One process imports all there is, and runs each test once to see which lines
it reaches and how long it takes, which is kept beside FILE. Then each mutant is put in place in a
process forked from it, and meets the tests that reach its statement, quick ones first, until one
fails. Tests are those of the folders of the same names in `tests/`.
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
from itertools import zip_longest
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[1]
sys.path[:0] = [str(ROOT), str(ROOT / "sim" / "public")]

import pytest  # noqa: E402
from _pytest.runner import runtestprotocol  # noqa: E402

from tests.killed import load_kernels  # noqa: E402
from tests.mutants import (  # noqa: E402
    Mutant,
    live_functions,
    mutants_of,
    put_in_place,
    shown_change,
)
from tests.reach import Reach  # noqa: E402

LIVED, DIED, UNREACHED, STUCK = "lived", "died", "unreached", "stuck"
PATIENCE = 10
"""A child that takes so many times as long by the clock as by the processor waits for something."""


class Measure:
    """Runs the tests of a session for their lines, then for each mutant."""

    def __init__(self, reach: Reach, mutants: list[Mutant], out: Path, budget_s: float) -> None:
        self.reach, self.mutants, self.out, self.budget_s = reach, mutants, out, budget_s

    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        """Run every test, then every mutant."""
        items = session.items
        load_kernels()
        for fault in self.reach.learn(items):
            say(f"not counted, fails without a mutant: {fault}")
        self.took, reached = self.reach.took(), self.reach.tests()
        say(f"{len(items)} tests in {sum(self.took.values()):.0f} s of processor time")
        by_name = {item.nodeid: item for item in items}
        self.live = live_functions()
        for number, mutant in enumerate(self.mutants, 1):
            lines = range(mutant.statement, mutant.line + 1)
            names = set().union(*(reached[mutant.file, line] for line in lines))
            chosen = sorted((n for n in names if n in by_name), key=self.took.__getitem__)
            self._judge(mutant, [by_name[name] for name in chosen])
            if number % 50 == 0:
                say(f"{number} of {len(self.mutants)} mutants")
        return True

    def _judge(self, mutant: Mutant, items: list[pytest.Item]) -> None:
        kept, total_s, by, began = [], 0.0, "", time.monotonic()
        for item in items:
            total_s += self.took[item.nodeid]
            if kept and total_s > self.budget_s:
                break
            kept.append(item)
        end = UNREACHED
        if kept:
            end, by = self._in_child(mutant, kept, int(3 * total_s + 10))
        record = {"name": mutant.name, "function": mutant.function, "end": end, "by": by,
                  "tests": len(kept), "left_out": len(items) - len(kept),
                  "took_s": round(time.monotonic() - began, 1),
                  "change": shown_change(mutant, ROOT)}  # fmt: skip
        with open(self.out, "a", encoding="utf-8") as file:
            file.write(json.dumps(record) + "\n")

    def _in_child(self, mutant: Mutant, items: list[pytest.Item], most_s: int) -> tuple[str, str]:
        """Fork, put the mutant in place, and return how it ended and by which test."""
        reading, writing = os.pipe()
        child = os.fork()
        if child == 0:
            os.close(reading)
            try:
                cpu_s = int(time.process_time()) + most_s
                resource.setrlimit(resource.RLIMIT_CPU, (cpu_s, cpu_s))
                signal.alarm(PATIENCE * most_s)
                if put_in_place(mutant, ROOT, self.live):
                    _meet(items, writing)
            finally:
                os._exit(3)
        os.close(writing)
        with open(reading, encoding="utf-8") as pipe:
            by = pipe.read()
        status = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
        if status == 0:
            return LIVED, ""
        ends_itself = status == 1 or (status < 0 and status != -signal.SIGALRM)
        return DIED if ends_itself else STUCK, by or f"status {status}"


def _tests_of(folder: str) -> Path:
    return ROOT / "tests" / Path(folder).name


def _meet(items: list[pytest.Item], writing: int) -> None:
    """Run tests on what is in place, and end the process: 0 if all pass, 1 if one fails."""
    for module in list(sys.modules.values()):
        if getattr(module, "__name__", "").startswith(("sim.", "controllers.")):
            for thing in list(vars(module).values()):
                if hasattr(thing, "cache_clear"):
                    thing.cache_clear()
    for item, following in zip(items, [*items[1:], None], strict=True):
        by = item.nodeid
        try:
            failed = any(r.failed for r in runtestprotocol(item, nextitem=following, log=False))
        except BaseException as exc:
            failed, by = True, f"{by}: {type(exc).__name__}"
        if failed:
            os.write(writing, by.encode())
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
    chosen = parser.parse_args()
    drawn: dict[str, list[Mutant]] = {}
    for folder in chosen.folder:
        files = sorted((ROOT / folder).rglob("*.py"))
        every = [m._replace(folder=folder) for path in files for m in mutants_of(path, ROOT)]
        random.Random(chosen.seed).shuffle(every)
        drawn[folder] = every[: chosen.sample]
        say(f"{folder}: {len(every)} mutants, {len(drawn[folder])} drawn")
    known = _known(chosen.out)
    due = [
        m for turn in zip_longest(*drawn.values()) for m in turn
        if m and (m.name not in known or (chosen.again and known[m.name]["end"] != DIED))
    ]  # fmt: skip
    if due:
        reach = Reach(ROOT, chosen.folder, chosen.out.with_suffix(".reach.json"))
        ended = pytest.main(
            ["-q", "-p", "no:cacheprovider", *(f"--ignore={skip}" for skip in chosen.skip),
             *(str(_tests_of(folder)) for folder in chosen.folder)],
            plugins=[reach, Measure(reach, due, chosen.out, chosen.budget)],
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
            f"{ends.count(UNREACHED)} unreached, {ends.count(STUCK)} stuck")  # fmt: skip
    return 0


def _known(out: Path) -> dict[str, dict[str, Any]]:
    lines = out.read_text(encoding="utf-8").splitlines() if out.exists() else []
    return {record["name"]: record for record in map(json.loads, lines)}


if __name__ == "__main__":
    sys.exit(main())
