"""Compiled kernels: the same bits on every instruction set, and a cache that is never stale."""

import ast
import hashlib
import os
import platform
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from sim.camera.settings import Camera
from sim.kernels import compilation, compiled
from sim.kernels.compiled import camera, control, frames
from sim.kernels.preparing import preparing_s
from sim.loop.plan import Stretch
from sim.loop.stopwatch import Lap, Spent, TimedStage, with_laps

SIM = Path(compilation.__file__).parents[1]
CAMERA = Camera(1.8, 20000.0, 20.0, 6.0, 0.5, 32.0, 1900.0, 1023.0)


def digest() -> str:
    """Pixels, sums, noise, a frame of 21 mirrors, losses near and far, as one number."""
    from tests.kernels.test_kernels import exposed, moved
    from tests.kernels.test_losses import observed

    whole = hashlib.sha256()
    for array in (
        *exposed(compiled, 1),
        *exposed(compiled, 2),
        *moved(compiled, "single_sided", 2, True).values(),
        *observed(compiled, "harrow_point_switch"),
    ):
        whole.update(np.ascontiguousarray(array).tobytes())
    return whole.hexdigest()


def elsewhere(folder: Path, **environment: str) -> str:
    """The same in a process of its own."""
    told = subprocess.run(
        [sys.executable, "-c", f"from {__name__} import digest; print(digest())"],
        check=True, capture_output=True, text=True, cwd=SIM.parent,
        env=os.environ | {"NUMBA_CACHE_DIR": str(folder)} | environment,
    )  # fmt: skip
    return told.stdout.strip()


@pytest.mark.skipif(platform.machine() not in ("x86_64", "AMD64"), reason="sets of x86")
@pytest.mark.parametrize(
    ("cpu", "features"), [("x86-64", ""), ("x86-64-v3", "+avx2,+fma")], ids=["sse2", "avx2"]
)
def test_bits_do_not_depend_on_the_instruction_set(
    cpu: str, features: str, tmp_path: Path
) -> None:
    """Registers of 4 and of 8 single-precision numbers, with and without fused multiply-add."""
    other = elsewhere(tmp_path, NUMBA_CPU_NAME=cpu, NUMBA_CPU_FEATURES=features)
    assert other == digest()


def test_every_compiled_file_counts_for_the_cache() -> None:
    """All files that compile something, and all of our own that they import from."""
    sources = {path.relative_to(SIM).as_posix() for path in compilation.SOURCES}
    for path in SIM.rglob("*.py"):
        name = path.relative_to(SIM).as_posix()
        tree = ast.parse(path.read_text(encoding="utf-8"))
        modules = {node.module for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)}
        compiling = {"sim.kernels.compilation", "sim.kernels.vectors", "numba"}
        if modules & compiling and name not in NOT_COMPILED:
            assert name in sources, name
            for module in modules:
                if module and module.startswith("sim."):
                    file = module.removeprefix("sim.").replace(".", "/")
                    assert {f"{file}.py", f"{file}/__init__.py"} & sources, (name, module)


NOT_COMPILED = {"studies/run/run.py"}
"""Uses a number of `sim.kernels.vectors`, compiles nothing."""


def test_a_change_in_any_source_gives_a_new_cache(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path))
    copies = tuple(tmp_path / f"{i}.py" for i in range(len(compilation.SOURCES)))
    for copy, path in zip(copies, compilation.SOURCES, strict=True):
        copy.write_bytes(path.read_bytes())
    monkeypatch.setattr(compilation, "SOURCES", copies)
    seen = {compilation.cache_folder.__wrapped__()}
    for copy in copies:
        copy.write_bytes(copy.read_bytes() + b"\n")
        seen.add(compilation.cache_folder.__wrapped__())
    assert len(seen) == len(copies) + 1
    assert all(folder.parent == tmp_path for folder in seen)


def test_kernels_are_kept_in_that_cache() -> None:
    for made in (compiled.advance, compiled.centres, camera._expose, frames._pieces):
        assert compilation.cache_folder() in Path(made.stats.cache_path).parents


def test_cache_goes_to_the_user_where_the_package_is_read_only(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("NUMBA_CACHE_DIR", raising=False)
    monkeypatch.setattr(compilation, "HERE", tmp_path)
    monkeypatch.setattr(os, "access", lambda path, mode: False)
    for name in ("XDG_CACHE_HOME", "LOCALAPPDATA", "HOME", "USERPROFILE"):
        monkeypatch.setenv(name, str(tmp_path / "user"))
    assert (tmp_path / "user") in compilation._root().parents


def test_nothing_about_the_process_is_set_on_import() -> None:
    """Whatever a program that embeds the simulator chose stays as it was."""
    told = subprocess.run(
        [sys.executable, "-c", "import os; before = dict(os.environ); import cv2; "
         "before |= {k: os.environ[k] for k in ('LD_LIBRARY_PATH',) if k in os.environ}; "
         "import mirrorloop, sim.kernels.compiled; print(before == dict(os.environ))"],
        check=True, capture_output=True, text=True, cwd=SIM.parent,
    )  # fmt: skip
    assert told.stdout.strip() == "True", "opencv sets LD_LIBRARY_PATH; we set nothing"


def test_python_cannot_call_a_step() -> None:
    """A step has no machine code of its own; calling it would end the process."""
    with pytest.raises(TypeError, match=r"camera\.expected_row is a step of a kernel"):
        camera.expected_row(np.zeros(16, np.float32), 0, None, None, 2, 2, 0.0)
    with pytest.raises(TypeError, match=r"control_block is a step of a kernel"):
        control.control_block()


def test_time_to_load_kernels_is_counted_whenever_it_comes() -> None:
    """A kernel that is loaded in the middle of a run counts for the start, not for its stage."""
    before = preparing_s()
    made = compilation.kernel(lambda x: x + 1)
    assert preparing_s() == before
    assert made(1) == 2
    first = preparing_s()
    assert first > before
    assert made(2) == 3
    assert preparing_s() == first
    stretch = Stretch(0, 10, True, "end")
    laps = [
        Lap(None, 10.0, 1.0), Lap(TimedStage.FUSED, 12.0, 1.5), Lap(TimedStage.PICTURES, 15.0, 4.0)
    ]  # fmt: skip
    spent = with_laps(Spent(), laps, stretch, start=False)
    assert spent.start_s == 3.0
    assert spent.by_stage_s() == {"fused": 1.5, "pictures": 0.5}
