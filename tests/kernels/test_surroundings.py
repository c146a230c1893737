"""Kernels in unusual surroundings: a damaged cache, none at all, compiling switched off."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from sim.foundations.errors import SimError

ROOT = Path(__file__).parents[2]
SMALL = """
import sys
sys.path.insert(0, {root!r})
from sim.kernels.compilation import kernel

@kernel
def cubed(x):
    return x * x * x

assert cubed(3.0) == 27.0
print(sum(cubed.stats.cache_hits.values()), sum(cubed.stats.cache_misses.values()))
"""


def cubed(folder: Path, cache: Path) -> tuple[int, int]:
    """Run a small kernel in a process of its own; return whether it was loaded, and compiled."""
    small = folder / "small.py"
    if not small.exists():  # a newer file would be compiled anew
        small.write_text(SMALL.format(root=str(ROOT)), encoding="utf-8")
    done = subprocess.run(
        [sys.executable, str(small)], capture_output=True, text=True,
        env=os.environ | {"NUMBA_CACHE_DIR": str(cache)},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    hits, misses = done.stdout.split()
    return int(hits), int(misses)


@pytest.mark.parametrize("kind", ["nbi", "nbc"])
def test_a_damaged_file_of_the_cache_is_made_again(tmp_path, kind):
    cache = tmp_path / "cache"
    assert cubed(tmp_path, cache) == (0, 1)
    assert cubed(tmp_path, cache) == (1, 0)
    (path,) = cache.rglob(f"*.{kind}")
    whole = path.read_bytes()
    for damage in (
        lambda: path.write_bytes(whole[: len(whole) // 2]),
        lambda: path.write_bytes(b""),
        lambda: path.write_bytes(
            whole[: len(whole) // 2] + bytes([whole[len(whole) // 2] ^ 1])
            + whole[len(whole) // 2 + 1 :]
        ),
    ):  # fmt: skip
        damage()
        assert cubed(tmp_path, cache) == (0, 1)
        assert cubed(tmp_path, cache) == (1, 0)


def test_no_place_for_a_cache_costs_time_alone(tmp_path):
    (tmp_path / "cache").write_text("a file, where a folder should be")
    assert cubed(tmp_path, tmp_path / "cache")[0] == 0


def found(**environment: str) -> str:
    """Return which kernels a process has, and why they are plain."""
    code = (
        "from sim.kernels.installed import installed, why_plain\n"
        "print(installed().__name__, why_plain())"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT,
        env=os.environ | environment,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return done.stdout.strip()


def test_with_compiling_switched_off_the_plain_kernels_do_the_work():
    assert found(NUMBA_DISABLE_JIT="1") == "sim.kernels.plain NUMBA_DISABLE_JIT is set"
    assert found(NUMBA_DISABLE_JIT="0") == "sim.kernels.compiled None"


def test_a_numba_of_other_insides_gives_the_plain_kernels_and_the_reason(tmp_path):
    (tmp_path / "sitecustomize.py").write_text(
        "import numba.core.registry as r\ndel r.CPUDispatcher\n", encoding="utf-8"
    )
    said = found(PYTHONPATH=f"{tmp_path}{os.pathsep}{os.environ.get('PYTHONPATH', '')}")
    assert said.startswith("sim.kernels.plain the compiled ones do not load (ImportError: cannot")


def test_work_without_a_plain_form_says_what_it_lacks(monkeypatch):
    from sim.kernels import installed

    monkeypatch.setattr(installed, "_found", lambda: (None, "numba is not installed"))
    with pytest.raises(SimError, match="a table .* needs the compiled kernels, and numba is not"):
        installed.compiled_for("a table of connections")
