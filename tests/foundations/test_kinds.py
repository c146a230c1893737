"""No module but a registry and the kind's own file knows a kind by its name."""

import ast
from pathlib import Path

from sim.assembly.plug_ins import FAMILIES

ROOT = Path(__file__).parents[2]
REGISTRIES = {
    ROOT / "controllers" / "__init__.py",
    ROOT / "sim" / "estimators" / "__init__.py",
    ROOT / "sim" / "disturbances" / "__init__.py",
    ROOT / "sim" / "events" / "__init__.py",
    ROOT / "sim" / "health" / "__init__.py",
}
OTHER_SENSE = {
    ("none", None),  # stands for absence in scenarios, camera noise and plots
    ("pi", "controllers/rules.py"),  # a form that a published rule is written for
    ("pid", "controllers/rules.py"),
    ("ageing", "sim/studies/connections/end_of_life.py"),  # what the years add
    ("latency_jitter", "sim/studies/deadline/study.py"),  # the event whose cost it works out
    ("record", "sim/cli/help.py"),  # the command
    ("record", "sim/cli/main.py"),
    ("record", "sim/cli/identify.py"),
    ("record", "sim/studies/identify/filing.py"),  # what it writes
}
"""Words that mean something else: everywhere, or in one file."""


def own_files():
    """Name of a kind -> file in which its block of settings stands."""
    for family in FAMILIES.values():
        for name, part in family.items():
            module = part.Params.__module__.replace(".", "/")
            yield name, ROOT / f"{module}.py"


def strings(path):
    """Every piece of text in a file that is no docstring."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    said = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in said:
            yield node.value, node.lineno


def test_kinds_are_known_to_their_registries_alone():
    own = set(own_files())
    names = {name for name, _ in own}
    assert len(names) > 20
    found = []
    for path in sorted([*(ROOT / "sim").rglob("*.py"), *(ROOT / "controllers").rglob("*.py")]):
        if path in REGISTRIES:
            continue
        here = path.relative_to(ROOT).as_posix()
        for text, line in strings(path):
            other = {(text, None), (text, here)} & OTHER_SENSE
            if text in names and not other and (text, path) not in own:
                found.append(f"{here}:{line}: {text}")
    assert not found, found
