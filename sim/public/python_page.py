"""The list of public names in docs/python.md, made from the names and what they say of themselves.

`python -m sim.public.python_page docs/python.md` renews the list between the page's markers.
"""

import ast
import inspect
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

from sim.foundations.files.made_part import MadePart

STUB = Path(__file__).parent / "mirrorloop" / "__init__.pyi"
BEGIN = "<!-- made by python -m sim.public.python_page; do not edit between the markers -->\n"
END = "<!-- end of the list -->\n"


def public_names() -> list[str]:
    """Return every public name, in the order of the list."""
    return [name for _, names in _sections() for name in names]


def first_sentence(name: str) -> str:
    """Return the first sentence that a public name says of itself; empty if it says nothing."""
    import mirrorloop

    module, there = mirrorloop._PLACES[name]
    thing = getattr(mirrorloop, name)
    text = inspect.getdoc(thing) if _documented(thing) else _text_below(module, there)
    return " ".join((text or "").split("\n\n")[0].split())


def names_list() -> str:
    """Return the list as Markdown."""
    lines = []
    for title, names in _sections():
        lines += [f"### {title}", "", "| name | is |", "|---|---|"]
        lines += [f"| `{name}` | {first_sentence(name)} |".replace("\\", "\\\\") for name in names]
        lines.append("")
    return "\n".join(lines)


def _sections() -> Iterator[tuple[str, list[str]]]:
    """Yield (title, public names) of each part of the file that type checkers read."""
    for part in STUB.read_text(encoding="utf-8").split("# ")[1:]:
        title, _, rest = part.partition("\n")
        names = []
        for line in rest.splitlines():
            words = line.split()
            name = words[0] if words[1:2] == ["="] else words[-1] if words else "_"
            if not name.startswith("_"):
                names.append(name)
        yield title, names


def _documented(thing: Any) -> bool:
    return inspect.isclass(thing) or inspect.isfunction(thing)


def _text_below(module: str, name: str) -> str:
    """Return the text below an assignment; values have no docstring of their own."""
    tree = ast.parse(inspect.getsource(sys.modules[module]))
    for line, below in zip(tree.body, tree.body[1:], strict=False):
        targets = line.targets if isinstance(line, ast.Assign) else [getattr(line, "target", None)]
        named = any(isinstance(target, ast.Name) and target.id == name for target in targets)
        if named and isinstance(below, ast.Expr) and isinstance(below.value, ast.Constant):
            return str(below.value.value)
    return ""


NAMES_LIST: Final = MadePart(BEGIN, END, lambda: f"\n{names_list()}\n")

if __name__ == "__main__":
    NAMES_LIST.renew(sys.argv[1:])
