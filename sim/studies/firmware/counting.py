"""What a scenario's firmware takes on an emulated Cortex-M4."""

import json
import tempfile
from pathlib import Path

from sim.assembly.build import Built
from sim.firmware.emulator import Counted, emulated_counts
from sim.foundations.files.filing import filed
from sim.scenario.portable import copy_files, portable_toml
from sim.studies.firmware.vectors import vectors_of
from sim.studies.firmware.vectors_filing import write_vectors
from sim.studies.firmware.writing import write_firmware

KIND = "instructions"
FRAMES = 20
MIRRORS = 4
ASSUMPTIONS = (
    "Instructions are counted. Cycles follow from the class of each, from fewest to most, for "
    "memory that never waits; no interrupts.",
    "The largest number is that of the vectors, which hold extreme windows; it is not a proof.",
    "The drive is counted for one tick of the DAC; there are several in a frame.",
    "Vectors are read from files between the stages; that is not counted.",
)


def count_instructions(
    built: Built, *, frames: int = FRAMES, mirrors: int | None = None
) -> Counted:
    """Write a scenario's firmware, replay vectors on an emulated Cortex-M4, and count.

    Parameters
    ----------
    built : Built
        A run whose estimator and controller compute in whole numbers.
    frames : int
        Frames of the loop among the vectors.
    mirrors : int, optional
        Mirrors among them; `MIRRORS` if left out.

    Returns
    -------
    Counted
        Instructions of each stage for one spot and frame, and memory.

    Raises
    ------
    FirmwareError
        If the scenario's firmware cannot be written.
    CompilerError
        If compiler or emulator are missing, or a value differs from the model.
    """
    count = min(MIRRORS, len(built.parts.mirrors)) if mirrors is None else mirrors
    frames = min(frames, built.parts.clock.n_frames)
    with tempfile.TemporaryDirectory(prefix="mirrorloop-") as name:
        firmware = write_firmware(built, Path(name) / "firmware")
        vectors = write_vectors(vectors_of(built, frames, count), built, Path(name) / "vectors")
        return emulated_counts(firmware, vectors)


def write_counts(
    built: Built, found: Counted, folder: str | Path, *, overwrite: bool = False
) -> Path:
    """Write instructions.json and scenario.toml, whole or not at all; return the folder.

    Raises
    ------
    OutputError
        If the folder exists and may not be replaced, or cannot be written.
    """
    results = {
        "processor": "Cortex-M4, emulated",
        "estimator": built.resolved.estimator["kind"],
        "controller": built.resolved.controller["kind"],
        "window_px": list(built.resolved.camera.window_px),
        "stages": [stage._asdict() for stage in found.stages],
        "memory": {
            name: value for name, value in found._asdict().items() if name.endswith("_bytes")
        },
        "compiler": found.compiler,
        "assumptions": list(ASSUMPTIONS),
    }
    with filed(Path(folder), kind=KIND, overwrite=overwrite) as new:
        text = json.dumps(results, indent=1, allow_nan=False)
        (new / "instructions.json").write_text(text, encoding="utf-8")
        (new / "scenario.toml").write_text(portable_toml(built.resolved), encoding="utf-8")
        copy_files(built.resolved, new)
    return Path(folder)
