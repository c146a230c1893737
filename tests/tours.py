"""Run every command of the tours in `docs/`, and hold what the pages say against what came out.

`python tests/tours.py` says what is stale and ends with 1; `--write` renews it. A page holds
commands in `sh` blocks, files to save in blocks after `<!-- file: NAME -->`, code in `python`
blocks, and three kinds of parts that are made by this script, each up to `<!-- end -->`:

- `<!-- table: FOLDER = HEADING | ...; FIGURE ... -->`: figures of result folders, side by side;
- `<!-- prints -->`: what the command or code before it printed;
- `<!-- value: FILE KEY ... -->`: one number of a JSON file, in the middle of a sentence.
"""

import argparse
import contextlib
import io
import json
import os
import re
import shlex
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from click.testing import CliRunner

from sim.cli.main import cli
from sim.results.table import FIGURE_OF
from sim.results.units import number

DOCS = Path(__file__).parents[1] / "docs"
PAGES = sorted(DOCS.glob("tour_*.md"))
PIECE = re.compile(
    r"<!-- file: (?P<file>\S+) -->\n```\w+\n(?P<content>.*?)```"
    r"|```sh\n(?P<sh>.*?)```"
    r"|```python\n(?P<python>.*?)```"
    r"|<!-- (?P<kind>table|prints|value)(?:: (?P<spec>[^>]*?))? -->(?P<made>.*?)<!-- end -->",
    re.DOTALL,
)


def renewed(page: Path, folder: Path, quiet: bool = False) -> str:
    """Return the text of a page as it should be, after running all of it in a folder."""
    codes: dict[str, int] = {}
    printed = ""
    names: dict[str, Any] = {}
    text = page.read_text(encoding="utf-8")
    out, at = [], 0
    with inside(folder):
        for piece in PIECE.finditer(text):
            out.append(text[at : piece.start()])
            at = piece.end()
            found = piece[0]
            if piece["file"]:
                Path(piece["file"]).write_text(piece["content"], encoding="utf-8")
            elif piece["sh"] is not None:
                for line in commands(piece["sh"]):
                    printed = command(line, codes, quiet)
            elif piece["python"] is not None:
                with contextlib.redirect_stdout(io.StringIO()) as told:
                    exec(compile(piece["python"], str(page), "exec"), names)  # noqa: S102
                printed = told.getvalue()
            else:
                made = {
                    "table": lambda spec: "\n" + table(spec, codes) + "\n",
                    "prints": lambda spec: f"\n```text\n{printed.rstrip()}\n```\n",  # noqa: B023
                    "value": value,
                }[piece["kind"]](piece["spec"] or "")
                head = found[: found.index("-->") + 3]
                found = f"{head}{made}<!-- end -->"
            out.append(found)
    return "".join(out) + text[at:]


@contextlib.contextmanager
def inside(folder: Path) -> Iterator[None]:
    """Work in a folder for a while."""
    before = Path.cwd()
    os.chdir(folder)
    try:
        yield
    finally:
        os.chdir(before)


def commands(block: str) -> list[str]:
    """Return the commands of a shell block; a backslash joins lines."""
    lines = block.replace("\\\n", " ").splitlines()
    return [line for line in lines if line.startswith("mirrorloop ")]


def command(line: str, codes: dict[str, int], quiet: bool) -> str:
    """Run one command; its exit code is kept under its output folder."""
    words = shlex.split(line)[1:]
    if not quiet:
        print("  $", line, file=sys.stderr, flush=True)
    done = CliRunner().invoke(cli, words)
    if done.exit_code not in (0, 1):
        raise SystemExit(f"{line}\nended with {done.exit_code}: {done.output}")
    if "--out" in words:
        codes[words[words.index("--out") + 1]] = done.exit_code
    return done.stdout


def table(spec: str, codes: dict[str, int]) -> str:
    """Return figures of result folders as a table."""
    columns, _, rows = spec.partition(";")
    pairs = [[word.strip() for word in column.split("=", 1)] for column in columns.split("|")]
    results = [
        json.loads((Path(name) / "results.json").read_text(encoding="utf-8")) for name, _ in pairs
    ]
    lines = [["", *(heading for _, heading in pairs)], ["---"] * (len(pairs) + 1)]
    for row in rows.split():
        if row == "exit":
            lines.append(["exit code", *(str(codes[name]) for name, _ in pairs)])
        elif row.startswith("limits."):
            name = row.removeprefix("limits.")
            lines.append([f"limit `{name}`", *(verdict(result, name) for result in results)])
        else:
            figure = FIGURE_OF[row]
            values = [figure.of(result) for result in results]
            lines.append([figure.words, *(number(v, figure.unit) for v in values)])
    return "\n".join("| " + " | ".join(line) + " |" for line in lines)


def verdict(results: dict[str, Any], name: str) -> str:
    """Say whether a limit was met."""
    row = next(limit for limit in results["limits"] if limit["name"] == name)
    return "met" if row["met"] else "missed"


def value(spec: str) -> str:
    """Return one value of a JSON file, given as FILE, a dotted key, and a format."""
    name, key, form = spec.split()
    found = json.loads(Path(name).read_text(encoding="utf-8"))
    for part in key.split("."):
        found = found[int(part)] if isinstance(found, list) else found[part]
    return format(found, form)


def main() -> int:
    """Check or renew the pages named, or all of them."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("pages", nargs="*", type=Path, default=PAGES)
    parser.add_argument("--write", action="store_true", help="renew the pages")
    chosen = parser.parse_args()
    stale = 0
    for page in chosen.pages:
        print(page.name, file=sys.stderr, flush=True)
        page = page.resolve()
        with tempfile.TemporaryDirectory() as folder:
            new = renewed(page, Path(folder))
        if new == page.read_text(encoding="utf-8"):
            continue
        if chosen.write:
            page.write_text(new, encoding="utf-8")
        else:
            stale += 1
            print(f"{page.name}: stale; renew it with python tests/tours.py --write")
    return 1 if stale else 0


if __name__ == "__main__":
    sys.path.insert(0, str(DOCS.parent))
    raise SystemExit(main())
