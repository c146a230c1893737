"""Look for scenarios that end in anything but figures or a message: `python tests/fuzz.py`.

    --minutes N     how long (1 if left out)
    --count N       or how many
    --seed N        where to begin
    --keep DIR      write what fails there, one file each

Prints counts of accepted, refused and anything else; ends with 1 if there is anything else.
"""

import argparse
import json
import random
import sys
import time
import traceback
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from tests.mutated import mutated, outcome  # noqa: E402


def main() -> int:
    """Run the search."""
    parser = argparse.ArgumentParser(description="Search for scenarios that break the program.")
    parser.add_argument("--minutes", type=float, default=1.0)
    parser.add_argument("--count", type=int, default=0)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--keep", type=Path)
    chosen = parser.parse_args()
    until = time.monotonic() + 60 * chosen.minutes
    counts: Counter[str] = Counter()
    number = chosen.seed
    while (number - chosen.seed < chosen.count) if chosen.count else (time.monotonic() < until):
        tree = mutated(random.Random(number))
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
    print(", ".join(f"{counts[end]} {end}" for end in ("accepted", "refused", "anything else")))
    return 1 if counts["anything else"] else 0


if __name__ == "__main__":
    sys.exit(main())
