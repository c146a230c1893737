"""The public face: its names, their words, the page that lists them, and the walk on that page."""

import os
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import mirrorloop
import pytest

from sim.public.python_page import NAMES_LIST, first_sentence, public_names

ROOT = Path(__file__).parents[2]
PAGE = ROOT / "docs" / "python.md"
BLOCKS = re.findall(r"^```(\w*)\n(.*?)^```$", PAGE.read_text("utf-8"), re.MULTILINE | re.DOTALL)
FRESH = """
import os, sys
before = dict(os.environ)
import mirrorloop
assert dict(os.environ) == before, "the environment was changed"
heavy = {"numba", "numpy", "scipy", "pydantic", "matplotlib", "cv2"} & set(sys.modules)
assert not heavy, heavy
"""


@pytest.mark.parametrize("name", mirrorloop.__all__)
def test_every_public_name_exists_and_says_what_it_is(name):
    assert getattr(mirrorloop, name) is not None
    assert len(first_sentence(name)) > 10, f"{name} says nothing of itself"


def test_names_are_listed_once_and_nothing_else_is():
    assert sorted(public_names()) == mirrorloop.__all__
    assert len(set(public_names())) == len(public_names())
    assert set(mirrorloop.__all__) <= set(dir(mirrorloop))
    with pytest.raises(AttributeError, match="no attribute 'nothing_of_this'"):
        _ = mirrorloop.nothing_of_this


def test_the_list_on_the_page_is_not_stale():
    page = PAGE.read_text(encoding="utf-8")
    assert NAMES_LIST.renewed(page) == page, "run python -m sim.public.python_page docs/python.md"
    assert NAMES_LIST.renewed(page.replace("| `run` |", "| `runs` |")) == page


def test_importing_is_light_and_changes_nothing():
    python_path = os.pathsep.join([str(ROOT), str(ROOT / "sim" / "public")])
    environment = os.environ | {"PYTHONPATH": python_path}
    subprocess.run([sys.executable, "-c", FRESH], env=environment, check=True)


def test_the_command_changes_nothing_before_it_starts():
    code = (
        "import os, sys; before = dict(os.environ); import sim.cli.main\n"
        "assert os.environ == before\n"
        "assert 'numpy' not in sys.modules, 'its threads are chosen too late'"
    )
    environment = os.environ | {"PYTHONPATH": str(ROOT)}
    environment.pop("OPENBLAS_NUM_THREADS", None)
    subprocess.run([sys.executable, "-c", code], env=environment, check=True)


def test_type_checkers_see_the_names(tmp_path):
    api = pytest.importorskip("mypy.api")
    (tmp_path / "use.py").write_text(
        "import mirrorloop as ml\n"
        "result: ml.Result = ml.run(ml.load_scenario('x.toml'))\n"
        "found: str = ml.find_scenario('x')\n"
        "ml.nowhere\n"
    )
    config = ("--config-file", str(ROOT / "pyproject.toml"), "--cache-dir", str(tmp_path / "cache"))
    before = Path.cwd()
    os.chdir(ROOT)
    try:
        text, errors, code = api.run([*config, "--follow-imports=silent", str(tmp_path / "use.py")])
    finally:
        os.chdir(before)
    assert code == 1 and not errors, text + errors
    assert 'expression has type "Path", variable has type "str"' in text
    assert 'Module has no attribute "nowhere"' in text
    assert "Found 2 errors" in text


def test_every_block_of_the_page_runs(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(sys, "path", list(sys.path))
    monkeypatch.setattr(sys, "dont_write_bytecode", True)
    space: dict[str, object] = {}
    for language, text in BLOCKS:
        if language == "toml":
            tomllib.loads(text)
        else:
            assert language == "python"
            exec(compile(text, str(PAGE), "exec"), space)
    for name in ("leaky", "brightest"):
        sys.modules.pop(name, None)
    said = capsys.readouterr().out
    assert "stable: True" in said and "not within 0.02 px" in said
    shipped, leaky = (float(x) for x in re.findall(r"(?:shipped|leaky): ([\d.]+) urad", said))
    assert leaky != shipped
    assert "'kind': 'leaky.py:Leaky'" in said
