"""Firmware on an emulated Cortex-M4: instructions of each stage, and memory.

Instructions are counted, not cycles: the emulator executes one after the other, and knows of no
pipeline and no memory that waits.
"""

import re
import shutil
import tempfile
from pathlib import Path
from typing import Final, NamedTuple

from sim.firmware.calibrated.source import MAPS
from sim.firmware.compiling import STRICT, CompilerError, compiler, run_program

ARM: Final = "arm-none-eabi-"
CORE: Final = ("-mcpu=cortex-m4", "-mthumb", "-mfloat-abi=softfp", "-mfpu=fpv4-sp-d16")
LEVEL: Final = "-O2"
EMULATOR: Final = "qemu-system-arm"
PROGRAMS: Final = (f"{ARM}gcc", f"{ARM}nm", f"{ARM}size", EMULATOR)
STAGES: Final = ("pixels", "reading", "law", "drive")
"""Rows of the window; from sums to a position; to a correction; to codes of the DAC for a tick."""
TEST: Final = (
    "replay.c", "replay_readers.c", "replay_calibrated.c", "vectors.c", "marks.c"
)
PROBE: Final = """#include "servo.h"
char state_bytes[sizeof(struct law_state)];
#if WITH_PIXELS
#include "pixels.h"
char spot_bytes[sizeof(struct spot) + sizeof(struct pixels)];
#else
char spot_bytes[sizeof(struct spot)];
#endif
"""


class StageCount(NamedTuple):
    """Instructions of a stage, for one spot and frame."""

    name: str
    times: int
    """Spots and frames that were counted."""
    mean: float
    most: int
    """Largest number seen; the vectors' extremes are among what was counted."""
    least_cycles: int | None = None
    """Largest number of cycles, each instruction taking as few as its class can."""
    most_cycles: int | None = None
    """The same, each taking as many as its class can; neither waits. None: not counted."""


class Counted(NamedTuple):
    """What a firmware takes on an emulated Cortex-M4."""

    stages: tuple[StageCount, ...]
    """Of `STAGES`, then of a whole frame."""
    code_bytes: int
    """Machine code, and constants with it."""
    table_bytes: int
    """Of those, the constants: coefficients, look-up tables."""
    static_bytes: int
    """Variables of the firmware's own; states and windows are the caller's."""
    state_bytes: int
    """A mirror's state."""
    spot_bytes: int
    """A window that is being read, and corrected."""
    stack_bytes: int
    """All frames of functions together: a bound, as none calls itself. Without the compiler's own
    division."""
    compiler: str
    map_bytes: int = 0
    """Maps of level and gain of all pixels, beside code and tables."""

    def stage(self, name: str) -> StageCount:
        """Return a stage by its name; "frame" is all of them."""
        return next(stage for stage in self.stages if stage.name == name)


def missing() -> str | None:
    """Return what keeps the emulator from being used, or None."""
    absent = [name for name in PROGRAMS if shutil.which(name) is None]
    if absent:
        return f"{', '.join(absent)} not installed (compiler, C library and emulator for Cortex-M4)"
    return None


def emulated_counts(firmware: Path, vectors: Path) -> Counted:
    """Replay vectors through a firmware on an emulated Cortex-M4, and count.

    Parameters
    ----------
    firmware : Path
        A folder that `mirrorloop firmware` wrote.
    vectors : Path
        A folder of `mirrorloop vectors`, of the same settings.

    Returns
    -------
    Counted

    Raises
    ------
    CompilerError
        If programs are missing, or one of them fails; a value that differs is such a failure too.
    """
    if (lack := missing()) is not None:
        raise CompilerError(f"the emulator cannot be used: {lack}")
    firmware, vectors = firmware.resolve(), vectors.resolve()
    with tempfile.TemporaryDirectory(prefix="mirrorloop-") as name:
        work = Path(name)
        elf = _linked(firmware, work)
        counter = work / "count.so"
        run_program(
            [compiler(), "-std=c99", LEVEL, "-fPIC", "-shared", "-o", counter,
             firmware / "emulator" / "count.c"],
            folder=work, what="counter of instructions",
        )  # fmt: skip
        marks = _addresses(elf, work)
        report = work / "report.txt"
        asked = ",".join(f"{stage}={marks[f'mark_{stage}']:#x}" for stage in (*STAGES, "end"))
        run_program(
            [EMULATOR, "-M", "mps2-an386", "-nographic", "-monitor", "none", "-serial", "none",
             "-semihosting-config", "enable=on,target=native",
             "-plugin", f"{counter},report={report},{asked}", "-kernel", elf],
            folder=vectors, what="replay on the emulated processor",
        )  # fmt: skip
        maps = firmware / MAPS
        return Counted(
            _stages(report.read_text()), *_memory(firmware, work), _version(work),
            maps.stat().st_size if maps.is_file() else 0,
        )  # fmt: skip


def _linked(firmware: Path, work: Path) -> Path:
    elf = work / "firmware.elf"
    sources = [*sorted((firmware / "src").glob("*.c")), *(firmware / "test" / n for n in TEST)]
    run_program(
        [f"{ARM}gcc", *STRICT, LEVEL, *CORE, "-nostartfiles", "-T",
         firmware / "emulator" / "layout.ld", "--specs=rdimon.specs", f"-I{firmware / 'src'}",
         f"-I{firmware / 'test'}", "-o", elf, *sources, firmware / "emulator" / "start.c"],
        folder=work, what="compiling for Cortex-M4",
    )  # fmt: skip
    return elf


def _addresses(elf: Path, work: Path) -> dict[str, int]:
    text = run_program([f"{ARM}nm", elf], folder=work, what="symbols")
    found = re.findall(r"^([0-9a-f]+) T (mark_\w+)$", text, re.MULTILINE)
    return {name: int(address, 16) for address, name in found}


def _stages(report: str) -> tuple[StageCount, ...]:
    """Return the stages; the first time through them, nothing but the marks themselves ran."""
    found = []
    for line in report.splitlines():
        name, times, fewest, most, total, least_cycles, most_cycles = line.split()
        mark, n = int(fewest), int(times) - 1
        mean = (int(total) - int(times) * mark) / n if n else 0.0
        counts = (int(most) - mark, int(least_cycles), int(most_cycles))
        found.append(StageCount(name, n, mean, *counts))
    return tuple(found)


def _memory(firmware: Path, work: Path) -> tuple[int, int, int, int, int, int]:
    """Return bytes of code, tables, variables, a state, a window, and of the stack at most."""
    objects = work / "objects"
    objects.mkdir()
    probe = objects / "probe.c"
    probe.write_text(PROBE)
    compile_ = [f"{ARM}gcc", *STRICT, LEVEL, *CORE, f"-I{firmware / 'src'}", "-fstack-usage", "-c"]
    run_program([*compile_, probe], folder=objects, what="compiling")
    sizes = run_program([f"{ARM}nm", "-S", "probe.o"], folder=objects, what="symbols")
    pairs = re.findall(r" ([0-9a-f]+) \w (\w+)$", sizes, re.MULTILINE)
    bytes_of = {name: int(size, 16) for size, name in pairs}
    (objects / "probe.o").unlink()
    sources = sorted((firmware / "src").glob("*.c"))
    run_program([*compile_, *sources], folder=objects, what="compiling")
    made = sorted(objects.glob("*.o"))
    parts = run_program([f"{ARM}size", "-A", *made], folder=objects, what="sizes")
    code = tables = static = 0
    for section, size in re.findall(r"^(\.\w[\w.]*)\s+(\d+)", parts, re.MULTILINE):
        if section.startswith((".text", ".rodata")):
            code += int(size)
            tables += int(size) if section.startswith(".rodata") else 0
        elif section.startswith((".data", ".bss")):
            static += int(size)
    stack = sum(
        int(line.split("\t")[1])
        for file in objects.glob("*.su")
        for line in file.read_text().splitlines()
    )
    return code, tables, static, bytes_of["state_bytes"], bytes_of["spot_bytes"], stack


def _version(work: Path) -> str:
    first = run_program([f"{ARM}gcc", "--version"], folder=work, what="version").splitlines()[0]
    return f"{first}, {LEVEL}"
