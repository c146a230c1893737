"""Compiling kernels: once for each machine and version, kept between runs, never stale.

Numba's own cache compares a function's file with the compiled code, and no other file: a change in
what the function calls elsewhere would go unnoticed. Here the cache has a folder of its own for
each state of all the files that kernels are made of. Each file of the cache ends with a checksum: a
damaged one is not run, but made again.
"""

import hashlib
import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from functools import cache
from pathlib import Path
from typing import Any

import llvmlite
import numba
from numba.core.caching import IndexDataCacheFile
from numba.core.codegen import JITCodeLibrary
from numba.core.compiler import Compiler
from numba.core.registry import CPUDispatcher

from sim.kernels.preparing import preparing

HERE = Path(__file__).parent
SIM = HERE.parent
SOURCES = (
    SIM / "foundations" / "ports" / "__init__.py",
    SIM / "foundations" / "ports" / "estimator.py",
    SIM / "foundations" / "ports" / "linear_law.py",
    SIM / "mirror" / "motion.py",
    SIM / "mirror" / "propagator.py",
    SIM / "camera" / "equivalent_noise.py",
    SIM / "camera" / "exposure.py",
    SIM / "camera" / "sensor.py",
    SIM / "camera" / "settings.py",
    SIM / "optics" / "beams.py",
    *sorted(HERE.glob("*.py")),
    *sorted((HERE / "vectors").glob("*.py")),
    *sorted((HERE / "compiled").glob("*.py")),
)
"""All files that kernels are made of."""


@cache
def cache_folder() -> Path:
    """Return the folder for the compiled kernels of this state of the sources.

    It is below `NUMBA_CACHE_DIR` where that is set, else beside the sources if they can be
    written to, else in the user's cache.
    """
    digest = hashlib.sha256(f"{numba.__version__} {llvmlite.__version__} {sys.version}".encode())
    for path in SOURCES:
        digest.update(path.read_bytes())
    return _root() / f"mirrorloop-{digest.hexdigest()[:16]}"


def _root() -> Path:
    if chosen := os.environ.get("NUMBA_CACHE_DIR"):
        return Path(chosen)
    beside = HERE / "__pycache__"
    if os.access(beside if beside.exists() else HERE, os.W_OK):
        return beside
    if sys.platform == "win32":
        base = os.environ.get("LOCALAPPDATA", str(Path.home() / "AppData" / "Local"))
    elif sys.platform == "darwin":
        base = str(Path.home() / "Library" / "Caches")
    else:
        base = os.environ.get("XDG_CACHE_HOME", str(Path.home() / ".cache"))
    return Path(base) / "mirrorloop"


KERNEL: dict[str, Any] = {
    "cache": True, "nogil": True, "error_model": "numpy", "no_cfunc_wrapper": True,
}  # fmt: skip


def kernel(function: Callable[..., Any]) -> Callable[..., Any]:
    """Compile a kernel, which runs without the interpreter's lock, and keep it between runs."""
    config: Any = numba.config
    before = config.CACHE_DIR
    config.CACHE_DIR = str(cache_folder())
    try:
        made: Any = numba.njit(**KERNEL)(function)
        made._cache._cache_file.__class__ = _CacheFile
    except RuntimeError:  # there is no place for a cache
        made = numba.njit(**KERNEL | {"cache": False})(function)
    finally:
        config.CACHE_DIR = before
    made.__class__ = _Kernel
    return made  # type: ignore[no-any-return]


class _CacheFile(IndexDataCacheFile):  # type: ignore[misc]
    """Numba's own, but with a checksum; what is not whole counts as not there."""

    def save(self, key: Any, data: Any) -> None:
        """Keep machine code; a full or read-only disk costs the next run time, and no more."""
        with suppress(OSError):
            super().save(key, data)

    def _load_index(self) -> Any:
        return super()._load_index() if _whole(self._index_path) else {}

    def _load_data(self, name: str) -> Any:
        path = self._data_path(name)
        if not _whole(path):
            raise FileNotFoundError(path)  # which numba takes for: compile it
        return super()._load_data(name)

    @contextmanager
    def _open_for_write(self, filepath: str) -> Iterator[Any]:
        with super()._open_for_write(filepath) as file:
            summed = _Summed(file)
            yield summed
            file.write(summed.sum.digest())


class _Summed:
    """A file that sums up what is written to it."""

    def __init__(self, file: Any) -> None:
        self.file, self.sum = file, hashlib.sha256()

    def write(self, data: Any) -> int:
        """Write and sum up."""
        self.sum.update(data)
        return int(self.file.write(data))


def _whole(path: str) -> bool:
    """Whether a file of the cache ends with the checksum of what is before."""
    try:
        data = Path(path).read_bytes()
    except OSError:
        return False
    size = hashlib.sha256().digest_size
    return hashlib.sha256(data[:-size]).digest() == data[-size:]


class _Kernel(CPUDispatcher):  # type: ignore[misc]
    """Numba's own, but that the time it takes to compile or to load is counted."""

    def compile(self, sig: Any) -> Any:
        """Return the machine code for some types of arguments."""
        with preparing():
            return super().compile(sig)


class _Step(CPUDispatcher):  # type: ignore[misc]
    """Numba's own, but that Python cannot call it: there is no machine code of its own."""

    def __call__(self, *args: Any, **kwargs: Any) -> Any:
        raise TypeError(
            f"{self.py_func.__module__}.{self.py_func.__qualname__} is a step of a kernel; "
            "Python cannot call it, only kernels and other steps can"
        )


class _NoPlace:
    """Takes the place of the machine code of a step, where there is none."""

    def set_env(self, name: str, environment: Any) -> None:
        """Do nothing: steps neither raise nor print, which is what an environment is for."""


class _PartOfCallers(JITCodeLibrary):  # type: ignore[misc]
    """Code that is made for its callers alone: they optimise it and make machine code of it."""

    @property
    def codegen(self) -> Any:
        return _NoPlace()

    def _optimize_final_module(self) -> None:
        pass

    def _finalize_final_module(self) -> None:
        self._finalize_dynamic_globals()
        self._finalized = True

    def get_pointer_to_function(self, name: str) -> int:
        return 0


class _StepCompiler(Compiler):  # type: ignore[misc]
    """Numba's own, but for the library that the code goes to."""

    def define_pipelines(self) -> Any:
        """Return the passes, with a library at hand for what they make."""
        codegen = self.state.targetctx.codegen()
        self.state.library = _PartOfCallers(codegen, self.state.func_id.func_qualname)
        return super().define_pipelines()


STEP: dict[str, Any] = {
    "pipeline_class": _StepCompiler, "error_model": "numpy", "no_cpython_wrapper": True,
    "no_cfunc_wrapper": True,
}  # fmt: skip


def step(function: Callable[..., Any]) -> Callable[..., Any]:
    """Make a step of a kernel, which kernels and other steps call; Python cannot."""
    return _step(function, **STEP)


def inlined(function: Callable[..., Any]) -> Callable[..., Any]:
    """Make a small step: always part of the code that calls it."""
    return _step(function, **STEP, forceinline=True)


def _step(function: Callable[..., Any], **options: Any) -> Callable[..., Any]:
    made: Any = numba.njit(**options)(function)
    made.__class__ = _Step
    return made  # type: ignore[no-any-return]
