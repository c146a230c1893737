"""The documentation names only pages, files and modules that exist."""

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
DOCS = ROOT / "docs"
PAGES = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted(DOCS.glob("*.md"))]
LINK = re.compile(r"\]\(([^)\s]+)\)")
NAMED = re.compile(
    r"(?<![\w/.])(?:sim|controllers|tests|docs|scenarios)/[\w./-]*\w(?:\.\w+)?/?(?![\w*<{])"
)
MODULE = re.compile(r"\b(?:sim|controllers)(?:\.(?!md\b)[a-z_]\w*)+")
PAST = {"changelog.md"}
"""Pages that speak of what is no longer there."""


def prose_of(page: Path) -> str:
    return page.read_text(encoding="utf-8")


def is_a_module(name: str) -> bool:
    """Whether a dotted name is a module, or a name in one."""
    parts = name.split(".")
    for n in range(len(parts), 0, -1):
        path = ROOT.joinpath(*parts[:n])
        source = (
            path.with_suffix(".py") if path.with_suffix(".py").exists() else path / "__init__.py"
        )
        if source.exists():
            left = parts[n:]
            text = source.read_text(encoding="utf-8")
            return not left or re.search(rf"\b{re.escape(left[0])}\b", text) is not None
    return False


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_links_between_pages_lead_somewhere(page):
    for target in LINK.findall(prose_of(page)):
        if "://" in target or target.startswith("#"):
            continue
        assert (page.parent / target.partition("#")[0]).exists(), f"{page.name} links to {target}"


@pytest.mark.parametrize(
    "page", [p for p in PAGES if p.name not in PAST], ids=lambda page: page.name
)
def test_files_that_a_page_names_exist(page):
    for name in NAMED.findall(prose_of(page)):
        assert (ROOT / name).exists(), f"{page.name} names {name}"


@pytest.mark.parametrize(
    "page", [p for p in PAGES if p.name not in PAST], ids=lambda page: page.name
)
def test_modules_that_a_page_names_exist(page):
    for name in MODULE.findall(prose_of(page)):
        assert is_a_module(name), f"{page.name} names {name}"


def test_every_page_is_in_the_index():
    listed = set(LINK.findall(prose_of(DOCS / "index.md")))
    assert {page.name for page in DOCS.glob("*.md")} - {"index.md"} == listed


def test_the_patterns_find_what_they_are_for():
    text = "see [a](b.md), `tests/loop/test_gone.py`, sim/x/y.py. and `sim.loop.gone.f(x)`"
    assert LINK.findall(text) == ["b.md"]
    assert NAMED.findall(text) == ["tests/loop/test_gone.py", "sim/x/y.py"]
    assert MODULE.findall(text) == ["sim.loop.gone.f"]
    assert not is_a_module("sim.loop.gone.f") and not is_a_module("sim.loop.simulate.gone_name")
    assert is_a_module("sim.loop.simulate.simulate") and is_a_module("sim.loop")


OUTSIDE = re.compile(
    r"^\s*(?:import|from) (?:allantools|pyyeti|photutils|emva1288|control|scipy\.(?:integrate|stats"
    r"|signal|optimize))\b|importorskip\(\"(?:pyyeti|photutils|emva1288|allantools)",
    re.M,
)
INSIDE = {"tests/report/test_report.py", "tests/loop/test_steps.py"}
"""They use such a library for something else than a check."""


def test_every_check_against_an_outside_library_is_in_the_table():
    table = (DOCS / "validation.md").read_text(encoding="utf-8")
    missing = [
        name
        for path in sorted((ROOT / "tests").rglob("test_*.py"))
        if (name := path.relative_to(ROOT).as_posix()) not in INSIDE
        and OUTSIDE.search(path.read_text(encoding="utf-8"))
        and name not in table
    ]
    assert not missing


def test_the_table_of_checks_has_its_columns():
    rows = [
        line
        for line in (DOCS / "validation.md").read_text(encoding="utf-8").splitlines()
        if line.startswith("|")
    ]
    assert len(rows) > 100
    for row in rows:
        assert len(re.findall(r"(?<!\\)\|", row)) == 7, row
