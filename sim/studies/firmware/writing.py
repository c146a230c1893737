"""The folder of a firmware: C source, tests, what builds them, what the simulated loop needs."""

import json
from pathlib import Path
from typing import Any

from sim.assembly.build import Built
from sim.firmware.calibrated.source import MAPS
from sim.firmware.fixed_law import FixedLaw
from sim.firmware.folder import INDEX, SOURCES
from sim.firmware.source import PORT, Source, c_file, readme, source_of
from sim.foundations.files.filing import filed
from sim.scenario.portable import copy_files, portable_toml
from sim.studies.firmware.made import FirmwareError, firmware_of

KIND = "firmware"
TEST_FILES = (
    "replay.c", "replay.h", "replay_readers.c", "replay_calibrated.c", "vectors.h", "vectors.c",
    "marks.h", "marks.c",
)  # fmt: skip
EMULATOR_FILES = ("start.c", "layout.ld", "count.c", "cycles.h")


def write_firmware(built: Built, folder: str | Path, *, overwrite: bool = False) -> Path:
    """Write the C source of a scenario's firmware; return the folder.

    Parameters
    ----------
    built : Built
        A run whose estimator and controller compute in whole numbers.
    folder : str or Path
        Where it shall stand; written whole or not at all.
    overwrite : bool
        Whether a firmware that is there may be replaced.

    Raises
    ------
    FirmwareError
        If the scenario asks for something that the C source cannot express.
    OutputError
        If the folder exists and may not be replaced, or cannot be written.
    """
    firmware = firmware_of(built)
    try:
        source = source_of(firmware)
    except ValueError as exc:
        raise FirmwareError(f"firmware: {exc}") from exc
    files = {_place(name): text for name, text in source.files.items()}
    files |= {f"test/{name}": c_file(name) for name in TEST_FILES}
    files |= {f"emulator/{name}": c_file(f"emulator/{name}") for name in EMULATOR_FILES}
    files |= {name: c_file(name) for name in ("Makefile", "CMakeLists.txt")}
    files |= {"README.md": readme(firmware, source), INDEX: _index(built, source)}
    files |= {"scenario.toml": portable_toml(built.resolved)}
    with filed(Path(folder), kind=KIND, overwrite=overwrite) as new:
        for name, text in files.items():
            (new / name).parent.mkdir(exist_ok=True)
            (new / name).write_text(text, encoding="utf-8")
        if source.calibrated.maps:
            (new / MAPS).write_bytes(source.calibrated.maps)
        copy_files(built.resolved, new)
    return Path(folder)


def _place(name: str) -> str:
    return f"loop/{name}" if name == PORT else f"src/{name}"


def _each_its_own(law: FixedLaw) -> bool:
    """Return whether mirrors have coefficients of their own."""
    sections = len(law.sections) > 0 and law.sections.shape[1] > 1
    return len(law.standing) > 1 or law.rows.shape[1] > 1 or sections


def _index(built: Built, source: Source) -> str:
    """Return what the simulated loop must know of the sources."""
    firmware = firmware_of(built)
    v, f, codes = firmware.spot.verdict, firmware.law.formats, firmware.codes
    known: dict[str, Any] = {
        "format": 3,
        "title": firmware.title,
        "settings_sum": source.sum,
        "includes": ["src"],
        SOURCES: sorted(_place(name) for name in source.files if name.endswith(".c")),
        "estimator": {
            "kind": source.spot.kind,
            "window_px": [v.height, v.width],
            "position_fraction": v.position.fraction,
            "light_fraction": v.light_fraction,
        },
        "controller": {
            "kind": firmware.law_kind,
            "mirrors": built.parts.mirrors.tolist(),
            "each_its_own": _each_its_own(firmware.law),
            "scale_px_per_mrad": built.resolved.camera.scale_px_per_mrad,
            "position_fraction": f.position.fraction,
            "correction_bits": f.correction.bits,
            "correction_fraction": f.correction.fraction,
        },
        "drive": {
            "lowest": codes.lowest,
            "highest": codes.highest,
            "square": codes.square,
            "fraction": codes.shift - codes.fraction,
            "codes_per_px": codes.per_px.T.tolist(),
        },
    }
    known["calibrated"] = source.calibrated.sums | {"maps": bool(source.calibrated.maps)}
    return json.dumps(known, indent=1)

