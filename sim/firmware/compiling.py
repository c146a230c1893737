"""Compilers of C on this computer, and what they say when they refuse."""

import os
import shutil
import subprocess
from collections.abc import Sequence
from pathlib import Path
from typing import Final

from sim.foundations.errors import SimError

STRICT: Final = ("-std=c99", "-pedantic", "-Wall", "-Wextra", "-Werror")
COMPILERS: Final = ("cc", "gcc", "clang")
LONGEST_S: Final = 120.0
LINES: Final = 12
"""Of what a compiler says that are shown."""


class CompilerError(SimError):
    """There is no compiler, or it refuses."""


def compiler() -> str:
    """Return the C compiler: the one that CC names, or the first of `COMPILERS` that is there.

    Raises
    ------
    CompilerError
        If there is none.
    """
    asked = os.environ.get("CC")
    for name in (asked,) if asked else COMPILERS:
        found = shutil.which(name)
        if found is not None:
            return found
    if asked:
        raise CompilerError(f'CC: names "{asked}" as the C compiler, and there is no such program')
    raise CompilerError(
        f"a C compiler is needed, and none of {', '.join(COMPILERS)} is there; install one, or "
        "name it in CC"
    )


def run_program(command: Sequence[str | Path], *, folder: Path, what: str) -> str:
    """Return what a program writes; refuse where it fails.

    Raises
    ------
    CompilerError
        With the first lines of what it says.
    """
    words = [str(word) for word in command]
    try:
        done = subprocess.run(
            words, cwd=folder, capture_output=True, text=True, errors="replace", timeout=LONGEST_S,
            check=False, stdin=subprocess.DEVNULL,
        )  # fmt: skip
    except subprocess.TimeoutExpired as exc:
        raise CompilerError(f"{what}: {words[0]} takes longer than {LONGEST_S:g} s") from exc
    except OSError as exc:
        raise CompilerError(f"{what}: {words[0]} cannot be run: {exc.strerror}") from exc
    if done.returncode:
        said = "\n".join((done.stderr or done.stdout).strip().splitlines()[:LINES])
        raise CompilerError(f"{what}: {Path(words[0]).name} ended with {done.returncode}\n{said}")
    return done.stdout


def compiled_library(sources: Sequence[Path], includes: Sequence[Path], library: Path) -> None:
    """Compile C sources to a shared library.

    Raises
    ------
    CompilerError
        If there is no compiler, or it refuses.
    """
    flags = [*STRICT, "-O3", "-fPIC", "-shared", *(f"-I{folder}" for folder in includes)]
    run_program(
        [compiler(), *flags, "-o", library, *sources], folder=library.parent, what="compiling"
    )
