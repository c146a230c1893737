"""Measure how long whole switches take, and how much memory, from 16 to 1024 ports a side.

`python tests/benchmarks/switch_sizes.py [--write] [--rounds N] [--against PATH]`; with `--write`,
the table goes to docs/connections.md; `--against` times another checkout as well, in turn. Not a
test: times depend on the machine and on what else it does. Every command runs in a fresh process,
kernels compiled before; every figure is the best of the rounds, and the sizes take turns.
"""

import argparse
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Final, NamedTuple

from sim.foundations.files.made_part import MadePart
from sim.scenario.model import load_scenario
from sim.studies.connections.table import Maker

ROOT = Path(__file__).parents[2]
CASE = "harrow_point_switch"
SIZES: Final = {
    16: ("geometry.columns=4", "budget.ports_in_service=15"),
    96: (),
    256: ("geometry.columns=16", "budget.ports_in_service=250"),
    1024: ("geometry.columns=32", "geometry.pitch_mm=1.0", "budget.ports_in_service=1000"),
}
"""Ports a side, and what else of the demo's switch has to follow."""
SWITCHES: Final = 1000
BEGIN, END = "<!-- sizes -->\n", "<!-- /sizes -->\n"
COMMAND: Final = """
import atexit, sys
from pathlib import Path
sys.path.insert(0, sys.argv.pop(1))
def memory():
    lines = Path("/proc/self/status").read_text().splitlines()
    print(next(line.split()[1] for line in lines if line.startswith("VmHWM")), file=sys.stderr)
atexit.register(memory)
from sim.cli.main import cli
cli()
"""
"""A command, which says at its end how much memory it had at most. [kB]"""


class Taken(NamedTuple):
    """What a command took."""

    wall_s: float
    processor_s: float
    memory_mb: float


def overrides(ports: int) -> list[str]:
    """Return the changes that make the demo's switch one of so many ports a side."""
    return [f"switch.{each}" for each in (f"geometry.ports_per_side={ports}", *SIZES[ports])]


def ran(arguments: Sequence[str], checkout: Path = ROOT) -> Taken:
    """Run a command in a fresh process; verdicts of any kind will do, faults will not."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    began = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-c", COMMAND, str(checkout), *arguments],
        capture_output=True, text=True, cwd=checkout,
    )  # fmt: skip
    wall_s = time.perf_counter() - began
    if done.returncode not in (0, 1):
        raise RuntimeError(done.stderr)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    used_s = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return Taken(wall_s, used_s, 1.024e-3 * float(done.stderr.split()[-1]))


def command_taken(ports: int, checkout: Path = ROOT) -> Taken:
    """Return what `mirrorloop connections` takes for a switch of so many ports a side."""
    changes = [word for each in overrides(ports) for word in ("--set", each)]
    with tempfile.TemporaryDirectory() as folder:
        return ran(["connections", CASE, *changes, "--out", f"{folder}/out"], checkout)


def population_taken(*more: str, switches: int = SWITCHES) -> Taken:
    """Return what `mirrorloop yield` takes for so many of the demo's switches."""
    with tempfile.TemporaryDirectory() as folder:
        asked = ["--switches", str(switches), *more, "--out", f"{folder}/out"]
        return ran(["yield", CASE, *asked])


def losses_s(ports: int, rounds: int) -> float:
    """Return how long the losses of all connections alone take, libraries loaded. [s]"""
    scenario = load_scenario(ROOT / "scenarios" / f"{CASE}.toml", tuple(overrides(ports)))
    best = float("inf")
    for _ in range(rounds + 1):
        began = time.perf_counter()
        Maker(scenario.switch, scenario.mirror, scenario.seeds.population).whole()
        best = min(best, time.perf_counter() - began)
    return best


def table(
    found: dict[int, Taken], alone_s: dict[int, float], population: Taken, bought: Taken
) -> str:
    """Return the lines of the page."""
    lines = [
        "| ports a side | connections | the command takes | processor time | memory "
        "| losses alone, from Python |",
        "|---|---|---|---|---|---|",
        *(f"| {ports} | {ports**2} | {each.wall_s:.1f} s | {each.processor_s:.1f} s "
          f"| {1e-3 * each.memory_mb:.2f} GB | {_time(alone_s[ports])} |"
          for ports, each in found.items()),
        "",
        f"{SWITCHES} built switches of the demo, over the band, new and at the end of their lives "
        f"(`mirrorloop yield --tolerances 0`), take {population.wall_s:.0f} s "
        f"({population.processor_s:.0f} s of processor time) and "
        f"{1e-3 * population.memory_mb:.2f} GB. With what to buy down first, for which 40 of them "
        f"are judged again with each tolerance halved, {bought.wall_s:.0f} s "
        f"({bought.processor_s:.0f} s) and {1e-3 * bought.memory_mb:.2f} GB.",
    ]  # fmt: skip
    return "\n".join(lines) + "\n"


def _time(seconds: float) -> str:
    return f"{1e3 * seconds:.0f} ms" if seconds < 1.0 else f"{seconds:.1f} s"


def main() -> None:
    """Measure, print, and write where asked to."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--write", action="store_true", help="Write into docs/connections.md.")
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--sizes", type=int, nargs="*", default=list(SIZES))
    parser.add_argument("--against", type=Path, help="Another checkout, timed in turn.")
    options = parser.parse_args()
    print(f"{os.cpu_count()} processors, load before {os.getloadavg()[0]:.1f}", file=sys.stderr)
    checkouts = [ROOT, *([options.against.resolve()] if options.against else [])]
    best: dict[tuple[Path, int], Taken] = {}
    for turn in range(options.rounds):
        for ports in options.sizes:
            for place in checkouts:
                one = command_taken(ports, place)
                best[place, ports] = Taken(*map(min, one, best.get((place, ports), one)))
                print(f"round {turn + 1}, {place}, {ports} ports: {one}", file=sys.stderr)
    if options.against:
        for (place, ports), each in best.items():
            print(f"{place}, {ports} ports: {each}")
        return
    alone_s = {ports: losses_s(ports, options.rounds) for ports in options.sizes}
    found = {ports: best[ROOT, ports] for ports in options.sizes}
    population, bought = population_taken("--tolerances", "0"), population_taken()
    text = table(found, alone_s, population, bought)
    print(text)
    if options.write:
        MadePart(BEGIN, END, lambda: text).renew([str(ROOT / "docs" / "connections.md")])


if __name__ == "__main__":
    main()
