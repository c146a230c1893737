"""Look for what ends in anything but figures or a message: `python tests/fuzz.py`.

    --minutes N          scenarios, for how long (1 if left out)
    --count N            or how many
    --having NAME        only those with this block, or `arithmetic` of a part; several if wanted
    --command-lines N    command lines instead
    --kills N            instead: kill a sweep and a run as often (a sixth as many sweeps whose
                         runs are in processes of their own, and each other long study as seldom),
                         and flip 20 times as many bits
    --seed N             where to begin
    --keep DIR           write scenarios that fail there, one file each

Prints counts of accepted, refused and anything else; ends with 1 if there is anything else.
"""

import argparse
import json
import random
import sys
import tempfile
import time
import traceback
from collections import Counter
from functools import partial
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))

from tests.command_lines import searched  # noqa: E402
from tests.killed import flip_bits, kill_runs, kill_studies, kill_sweeps  # noqa: E402
from tests.mutated import mutated, outcome  # noqa: E402


def try_command_lines(count: int, seed: int) -> int:
    """Try so many command lines."""
    report: list[str] = []
    with tempfile.TemporaryDirectory() as folder:
        counts = searched(count, seed, Path(folder), report)
    print("\n".join(report))
    print(shown(counts))
    return 1 if report else 0


def kill(count: int, seed: int) -> int:
    """Kill a sweep and a run so often, and flip bits of a sweep's store."""
    rng = random.Random(seed)
    with tempfile.TemporaryDirectory() as folder:
        for name, what, times in (
            ("bits flipped", flip_bits, 20 * count), ("runs", kill_runs, count),
            ("sweeps", kill_sweeps, count),
            ("sweeps with two workers", partial(kill_sweeps, workers=2), count // 6),
        ):  # fmt: skip
            place = Path(folder) / name
            place.mkdir()
            counts = what(times, place, rng)
            print(f"{name}:", ", ".join(f"{n} {end}" for end, n in counts.items()), flush=True)
        for study, counts in kill_studies(max(count // 6, 1), Path(folder), rng):
            print(f"{study}:", ", ".join(f"{n} {end}" for end, n in counts.items()), flush=True)
    return 0


def has_any(tree: dict[str, Any], names: list[str]) -> bool:
    """Return whether a scenario has one of these blocks, or a part of it does."""
    parts = [tree, *(part for part in tree.values() if isinstance(part, dict))]
    return any(name in part for name in names for part in parts)


def shown(counts: Counter[str]) -> str:
    """Return the three counts in words."""
    return ", ".join(f"{counts[end]} {end}" for end in ("accepted", "refused", "anything else"))


def main() -> int:
    """Run the search."""
    parser = argparse.ArgumentParser(description="Search for scenarios that break the program.")
    parser.add_argument("--minutes", type=float, default=1.0)
    parser.add_argument("--count", type=int, default=0)
    parser.add_argument("--having", action="append", default=[])
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--keep", type=Path)
    parser.add_argument("--command-lines", type=int, default=0)
    parser.add_argument("--kills", type=int, default=0)
    chosen = parser.parse_args()
    if chosen.command_lines:
        return try_command_lines(chosen.command_lines, chosen.seed)
    if chosen.kills:
        return kill(chosen.kills, chosen.seed)
    until = time.monotonic() + 60 * chosen.minutes
    counts: Counter[str] = Counter()
    number = chosen.seed
    while (counts.total() < chosen.count) if chosen.count else (time.monotonic() < until):
        tree = mutated(random.Random(number))
        if chosen.having and not has_any(tree, chosen.having):
            number += 1
            continue
        began = time.monotonic()
        try:
            end = "accepted" if outcome(tree) == "accepted" else "refused"
        except BaseException as exc:
            if isinstance(exc, KeyboardInterrupt):
                raise
            end = "anything else"
            last = traceback.extract_tb(exc.__traceback__)[-1]
            where = f"{Path(last.filename).name}:{last.lineno}"
            print(f"seed {number}: {type(exc).__name__}: {str(exc)[:160]} ({where})", flush=True)
            if chosen.keep:
                chosen.keep.mkdir(parents=True, exist_ok=True)
                text = json.dumps(tree, indent=1, default=repr) + "\n" + traceback.format_exc()
                (chosen.keep / f"{number}.txt").write_text(text, encoding="utf-8")
        took = time.monotonic() - began
        if took > 20:
            print(f"seed {number}: took {took:.0f} s ({end})", flush=True)
        counts[end] += 1
        number += 1
    print(shown(counts))
    return 1 if counts["anything else"] else 0


if __name__ == "__main__":
    sys.exit(main())
