"""What an installed package holds: the tree's files that are no Python, and the public import."""

import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def names(tmp_path_factory):
    wheel = pytest.importorskip("hatchling.builders.wheel", reason="hatchling is not installed")
    folder = tmp_path_factory.mktemp("wheel")
    (made,) = wheel.WheelBuilder(str(ROOT)).build(directory=str(folder), versions=["standard"])
    return set(zipfile.ZipFile(made).namelist())


def test_every_file_that_is_no_python_is_in_the_wheel(names):
    # C sources, their templates, pages, style sheets, scripts: read at run time, imported by none.
    data = {
        path.relative_to(ROOT).as_posix()
        for top in ("sim", "controllers")
        for path in (ROOT / top).rglob("*")
        if path.is_file() and path.suffix not in (".py", ".pyc") and "__pycache__" not in path.parts
    }
    moved = {name for name in data if name.startswith("sim/public/mirrorloop/")}
    assert {"sim/firmware/c/law.c", "sim/firmware/c/settings.h.j2", "sim/report/style.css"} <= data
    assert data - moved - names == set()
    assert {name.removeprefix("sim/public/") for name in moved} <= names


def test_the_gallery_and_the_public_import_are_in_the_wheel(names):
    cases = {f"sim/scenario/cases/{path.name}" for path in (ROOT / "scenarios").glob("*.toml")}
    assert cases and cases <= names
    assert "mirrorloop/__init__.py" in names
    assert not any(name.startswith(("tests/", "docs/", "sim/public/")) for name in names)
