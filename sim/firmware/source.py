"""The firmware as C99 source: files of this folder's `c/`, and headers made for a scenario."""

import hashlib
import importlib.metadata
from importlib import resources
from typing import Any, NamedTuple

import jinja2

from sim.firmware.calibrated.source import Calibrated, CalibratedSource, calibrated_source
from sim.firmware.codes import CodeWords
from sim.firmware.fixed_law import FixedLaw
from sim.firmware.law_source import LAW_FILES, WORD_BITS, braces, law_costs, law_numbers
from sim.firmware.spot_source import SpotSource, SpotWorld, spot_source

SHARED_FILES = ("spot.h", "spot.c", "servo.h", "servo.c", "drive.h", "drive.c")
MADE_FILES = ("settings.h", "coefficients.h", "calibration.h")
PORT = "port.c"
"""The same sources as a library, for the simulated loop."""


class Firmware(NamedTuple):
    """What a firmware computes: an estimator and a law, in words."""

    title: str
    law: FixedLaw
    law_kind: str
    spot: Any
    """The estimator's record of whole numbers."""
    world: SpotWorld
    codes: CodeWords
    """From tilts to codes of the DAC."""
    mirrors: int
    calibrated: Calibrated
    """What stands between pixels and estimator, and between estimator and law."""


class Source(NamedTuple):
    """The C source of a firmware."""

    files: dict[str, str]
    """Name -> text; all that runs on the processor, and `PORT`."""
    sum: str
    """SHA-256 over the words that it computes with, as `SETTINGS_SUM` has it."""
    spot: SpotSource
    calibrated: CalibratedSource

    @property
    def units(self) -> tuple[str, ...]:
        """Files that are compiled for the processor."""
        return tuple(sorted(n for n in self.files if n.endswith(".c") and n != PORT))


def source_of(firmware: Firmware) -> Source:
    """Return the C source of a firmware.

    Raises
    ------
    ValueError
        If it cannot be expressed; the message says why.
    """
    spot = spot_source(firmware.spot, firmware.world)
    law = law_numbers(firmware.law, firmware.law_kind)
    drive = drive_numbers(firmware.codes)
    calibrated = calibrated_source(
        firmware.calibrated, 1 << (firmware.law.formats.position.bits - 1)
    )
    made = (law, spot.macros, spot.tables, drive, firmware.mirrors, calibrated.sum)
    sum_ = hashlib.sha256(repr(made).encode())
    known = {
        "version": importlib.metadata.version("mirrorloop"),
        "title": printable(firmware.title),
        "mirrors": firmware.mirrors,
        "law": law,
        "spot": spot,
        "drive": drive,
        "sum": sum_.hexdigest(),
        "pixels": calibrated.pixels,
        "lens": calibrated.lens,
        "guard": calibrated.guard,
    }
    shared = (*LAW_FILES, *SHARED_FILES, *spot.files, *calibrated.files, PORT)
    files = {name: c_file(name) for name in shared}
    files |= {name: filled(f"{name}.j2", **known) for name in MADE_FILES}
    tables = spot.tables | calibrated.tables
    return Source(files | tables, sum_.hexdigest(), spot, calibrated)


def drive_numbers(codes: CodeWords) -> dict[str, Any]:
    """Return what the templates need of the way to the DAC.

    Raises
    ------
    ValueError
        If a code does not fit 32 bits.
    """
    if codes.per_px.max() >= 1 << (WORD_BITS - 1):
        raise ValueError(f"codes per pixel take more than the {WORD_BITS} bits that the C has")
    return codes._asdict() | {"per_px": braces(codes.per_px.T)}


def readme(firmware: Firmware, source: Source) -> str:
    """Return the page that goes with the source: use, timing, memory."""
    return filled(
        "README.md.j2",
        version=importlib.metadata.version("mirrorloop"),
        title=printable(firmware.title),
        law=law_numbers(firmware.law, firmware.law_kind) | law_costs(firmware.law),
        spot=source.spot,
        calibrated=source.calibrated,
        error_px=firmware.calibrated.lens and firmware.calibrated.lens.error_px,
        error_dn=firmware.calibrated.pixels and firmware.calibrated.pixels.error_dn,
    )


def c_file(name: str) -> str:
    """Return a file of the folder `c/`."""
    return (resources.files("sim.firmware") / "c" / name).read_text(encoding="utf-8")


def filled(name: str, **known: Any) -> str:
    """Return a template of the folder `c/`, filled in."""
    environment = jinja2.Environment(
        undefined=jinja2.StrictUndefined, keep_trailing_newline=True, autoescape=False
    )
    return environment.from_string(c_file(name)).render(known)


def printable(text: str) -> str:
    """Return a text that can stand in a C comment or a string: printable ASCII, one line."""
    kept = "".join(c if c.isascii() and c.isprintable() and c not in '"\\' else " " for c in text)
    return " ".join(kept.replace("*/", " ").replace("/*", " ").replace("??", "?").split())
