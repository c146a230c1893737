"""Firmware in single precision: its folder, and vectors of the model in double precision."""

from collections.abc import Callable
from pathlib import Path
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.assembly.build import Built, build
from sim.estimators import BoundEstimator
from sim.firmware.single_source import (
    POSITION_BOUND,
    SingleFirmware,
    SingleSource,
    single_source,
)
from sim.firmware.source import c_file
from sim.foundations.files.filing import filed
from sim.foundations.ports import Array, CameraBelief, SpotReading, SpotStatus
from sim.foundations.ports.linear_law import LinearLaw, hand_over, law_step, states_law
from sim.foundations.rng import philox
from sim.loop.simulate import steps
from sim.loop.state import initial_state
from sim.scenario.model import Scenario
from sim.scenario.portable import copy_files, portable_toml
from sim.studies.firmware.coverage import Covered, spot_lines
from sim.studies.firmware.made import FirmwareError, refuse_search
from sim.studies.firmware.vector_groups import Group, VectorArray
from sim.studies.firmware.vectors import Vectors, chosen_mirrors, saturated_dn
from sim.studies.firmware.windows import windows_of
from sim.studies.firmware.writing import KIND

FRACTION: Final = 20
"""Bits behind the point of lengths [px] in these vectors."""
LAW_FRAMES: Final = 96
LOST: Final = (10, 11, 40, 70, 71, 72, 73, 74, 75)
RESET_EVERY: Final = 32
TILTS: Final = 512
MOST_MIRRORS: Final = 4
KEY: Final = (2026, 1131)
PERTURBED: Final = 2e-6
"""Relative change of the camera's belief that a reading must stand."""


def in_floating_point(scenario: Scenario) -> Scenario:
    """Return a scenario without the fixed arithmetic of its parts."""
    return scenario.replace(
        **{
            key: {name: value for name, value in getattr(scenario, key).items()
                  if name != "arithmetic"}
            for key in ("estimator", "controller")
        }
    )  # fmt: skip


def single_firmware(built: Built) -> SingleFirmware:
    """Return what the firmware of a scenario computes, in single precision.

    Parameters
    ----------
    built : Built
        A run in floating point, see `in_floating_point`.

    Raises
    ------
    FirmwareError
        If the run does what the C source has no part for.
    """
    parts, resolved = built.parts, built.resolved
    controller: Any = parts.controller
    estimator = parts.measurement.estimator
    if not states_law(controller):
        raise FirmwareError(
            f'controller.kind: "{resolved.controller["kind"]}" states no linear law, and no other '
            "can be written as C"
        )
    if not isinstance(estimator, BoundEstimator):
        raise FirmwareError(f'estimator.kind: "{resolved.estimator["kind"]}" is C already')
    _refuse_calibrated(built)
    refuse_search(built)
    drive, scale = parts.drive, parts.scale_px_per_rad
    step = drive.lsb_v**2 if drive.square else drive.lsb_v
    return SingleFirmware(
        resolved.title, estimator.function, estimator.kind, estimator.settings,
        parts.measurement.belief, resolved.camera.window_px, controller.linear_law(),
        str(resolved.controller["kind"]), 1.0 / (scale * parts.fleet.believed_gain * step),
        -int(drive.codes), int(drive.codes) - 1, drive.square,
    )  # fmt: skip


def _refuse_calibrated(built: Built) -> None:
    """Refuse what a calibration adds, for which the C in single precision has no part.

    Raises
    ------
    FirmwareError
        Which names it.
    """
    parts = built.parts
    for there, what in (
        (parts.lens is not None, "[lens] and calibration.results: straightens positions"),
        (parts.measurement.correction is not None, "calibration.results: corrects pixels"),
        (parts.guard is not None, "[spot_guard]: doubts readings"),
    ):
        if there:
            raise FirmwareError(
                f"{what} before the law, and the C in single precision has no part for that; leave "
                "it out, or take --arithmetic fixed, which has one"
            )


def _source(firmware: SingleFirmware) -> SingleSource:
    try:
        return single_source(firmware)
    except ValueError as exc:
        raise FirmwareError(str(exc)) from exc


def write_single_firmware(built: Built, folder: str | Path, *, overwrite: bool = False) -> Path:
    """Write the C source of a scenario's firmware in single precision; return the folder.

    Parameters and errors are those of `write_firmware`; the run may be in whole numbers or not.
    """
    plain = build(in_floating_point(built.resolved))
    source = _source(single_firmware(plain))
    files = {f"src/{name}": text for name, text in source.files.items()}
    files |= {f"test/{name}": c_file(name) for name in ("vectors.h", "vectors.c")}
    files |= {"test/replay.c": c_file("single/replay.c"), "README.md": source.readme}
    files |= {name: c_file(name) for name in ("Makefile", "CMakeLists.txt")}
    files |= {f"emulator/{name}": c_file(f"emulator/{name}") for name in ("start.c", "layout.ld")}
    files |= {"scenario.toml": portable_toml(plain.resolved)}
    with filed(Path(folder), kind=KIND, overwrite=overwrite) as new:
        for name, text in files.items():
            (new / name).parent.mkdir(exist_ok=True)
            (new / name).write_text(text, encoding="utf-8")
        copy_files(plain.resolved, new)
    return Path(folder)


def single_vectors(
    built: Built, frames: int, mirrors: int | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Vectors:  # fmt: skip
    """Make vectors for a firmware in single precision: readings and corrections in double.

    Parameters and errors are those of `vectors_of`. Windows whose reading changes when background
    and spot width do in the sixth digit are left out, and counted.
    """
    plain = build(in_floating_point(built.resolved))
    firmware = single_firmware(plain)
    source = _source(firmware)
    chosen = chosen_mirrors(plain, frames, mirrors)
    seen = _windows_seen(plain, frames, chosen, progress)
    # Windows that take sums to the ends of their words have no one brightest place.
    made = [
        window
        for window in windows_of(plain.resolved.camera, _NoVerdict())
        if window.what != "full scale" and window.rows is None
    ]
    pixels = np.concatenate([seen, np.stack([window.pixels_dn for window in made])])
    spots, lines = _spots(firmware, pixels, saturated_dn(plain))
    some = chosen[:: max(1, len(chosen) // MOST_MIRRORS)][:MOST_MIRRORS]
    law, law_lines = _law(firmware, some)
    groups = {"spots": spots, "law": law, "drive": _drive(firmware, some)}
    return Vectors(source.sum, groups, [*lines, *law_lines], [], exact=False)


class _NoVerdict:
    """Stands for an estimator whose verdict never changes: no windows are made for that."""

    def read(self, pixels_dn: NDArray[np.int32]) -> Any:
        none = np.zeros((len(pixels_dn), 2))
        return SpotReading(none, none[:, 0], np.zeros(len(pixels_dn), np.uint8))


class _Seen(NamedTuple):
    """Passes frames on, and keeps those of some mirrors."""

    own: BoundEstimator
    chosen: NDArray[np.int64]
    frames: list[NDArray[np.int32]]

    def __call__(self, frames_dn: NDArray[np.int32], *, camera: CameraBelief) -> SpotReading:
        self.frames.append(frames_dn[self.chosen].copy())
        return self.own(frames_dn, camera=camera)


def _windows_seen(
    built: Built, frames: int, chosen: NDArray[np.int64],
    progress: Callable[[int, int], None] | None,
) -> NDArray[np.int32]:  # fmt: skip
    """Run the loop from its start; return the windows of some mirrors."""
    measurement: Any = built.parts.measurement
    seen = _Seen(measurement.estimator, chosen, [])
    fused = measurement.fused
    measurement.estimator, measurement.fused = seen, None  # frames, not sums taken on the way
    try:
        for state in steps(built.parts, initial_state(built.parts), until=frames, fused=False):
            if progress is not None:
                progress(state.frame, frames)
    finally:
        measurement.estimator, measurement.fused = seen.own, fused
    return np.concatenate(seen.frames)


def _spots(
    firmware: SingleFirmware, pixels: NDArray[np.int32], most_dn: int
) -> tuple[Group, list[Covered]]:
    """Return windows and their readings; those that hang on the sixth digit are left out."""
    own = _read(firmware, pixels, 0)
    others = [_read(firmware, pixels, sign) for sign in (-1, 1)]
    middle = 0.5 * (np.array(firmware.window_px[::-1]) - 1)
    spot = np.where(own.status[:, None] == SpotStatus.OK, own.spot_px - middle, 0.0)
    stands = np.ones(len(pixels), bool)
    for other in others:
        moved = np.abs(np.nan_to_num(other.spot_px - own.spot_px)).max(axis=1)
        stands &= (other.status == own.status) & (moved < POSITION_BOUND / 4)
    kept = np.flatnonzero(stands)
    group = {
        "pixels": VectorArray(pixels[kept].astype(np.uint16), "window, rows then columns [DN]"),
        "spot": _long(spot[kept], "position from the window's middle, (x, y); 0 if not OK"),
        "status": VectorArray(own.status[kept].astype(np.uint8), "0 OK, 1 DIM, 2 EDGE, 3 FAILED"),
    }
    lines = spot_lines(own.status[kept], pixels[kept], most_dn, "spots")
    note = "their reading changes with the sixth digit of background or spot width"
    left = int((~stands).sum())
    return group, [*lines, *([Covered("spots: left out", left, note)] if left else [])]


def _read(firmware: SingleFirmware, pixels: NDArray[np.int32], sign: int) -> SpotReading:
    """Return readings with belief and limits as they are, or changed by a hair."""
    c, more = firmware.camera, 1.0 + sign * PERTURBED
    camera = c._replace(
        background_e=c.background_e * more, spot_sigma_px=c.spot_sigma_px * more
    )
    settings = dict(firmware.settings)
    settings["min_flux_dn"] *= more
    settings["edge_px"] = max(settings["edge_px"] + sign * POSITION_BOUND / 4, 0.0)
    return firmware.estimator(pixels, camera=camera, **settings)


def _law(firmware: SingleFirmware, chosen: NDArray[np.int64]) -> tuple[Group, list[Covered]]:
    """Return frames of the law: wander, both limits, spots lost and found, resets."""
    count, limits = firmware.mirrors, _limits_px(firmware)
    drawn = _drawn(LAW_FRAMES * count * 2).reshape(LAW_FRAMES, count, 2, 2)
    law: LinearLaw = firmware.law
    state = hand_over(law, np.zeros((count, 2)))
    rows: dict[str, list[Array]] = {name: [] for name in (
        "standing", "position", "reference", "lowest", "highest", "correction", "seen", "reset"
    )}  # fmt: skip
    for k in range(LAW_FRAMES):
        standing = np.zeros((count, 2))
        if k % RESET_EVERY == 0:
            standing = _rounded(limits / 8 * (k // RESET_EVERY) * np.array([1.0, -1.0]))
            state = hand_over(law, standing)
        push = 0.0 if k < 8 else 0.25 if k % RESET_EVERY < 16 else -0.25
        reference = _rounded(limits * (push * np.array([1.0, -1.0]) + 0.01 * drawn[k, ..., 0]))
        position = _rounded(-reference / 3 + 0.01 * limits * drawn[k, ..., 1])
        seen = np.full((count, 2), k not in LOST)
        edge = _rounded(limits * (0.5 if k < LAW_FRAMES // 2 else 0.06))
        error = np.where(seen, reference - position, 0.0)
        state = law_step(law, state, error, seen, -edge, edge)
        for name, values in (
            ("standing", standing), ("position", np.where(seen, position, 0.0)),
            ("reference", reference), ("lowest", -edge), ("highest", edge),
            ("correction", state.correction_rad), ("seen", seen[:, 0]),
            ("reset", np.full(count, k % RESET_EVERY == 0)),
        ):  # fmt: skip
            rows[name].append(values[chosen])
    flat = {name: np.concatenate(values) for name, values in rows.items()}
    group = {"mirror": _whole(np.tile(chosen, LAW_FRAMES), np.uint16, "column of the fleet")}
    for name in ("reset", "seen"):
        group[name] = _whole(flat.pop(name), np.uint8, "1 or 0")
    group |= {name: _long(values, "(x, y)") for name, values in flat.items()}
    limited = (flat["correction"] == flat["highest"]) | (flat["correction"] == flat["lowest"])
    lost = int((group["seen"].values == 0).sum())
    return group, [
        Covered("law: spot lost", lost, ""),
        Covered("law: correction at a limit", int(limited.any(axis=1).sum()), ""),
        Covered("law: taken over from a standing correction", int(group["reset"].values.sum()), ""),
    ]


def _drive(firmware: SingleFirmware, chosen: NDArray[np.int64]) -> Group:
    """Return codes of tilts over one and a half times the range of the drive."""
    mirror = np.tile(chosen, TILTS)
    drawn = _drawn(2 * len(mirror)).reshape(len(mirror), 2, 2)
    limits = _limits_px(firmware)[mirror]
    path, correction = (_rounded(0.75 * limits * drawn[..., i]) for i in (0, 1))
    code = (path + correction) * firmware.codes_per_px.T[mirror]
    code = np.sign(code) * np.sqrt(np.abs(code)) if firmware.square else code
    codes = np.clip(np.floor(code + 0.5), firmware.lowest, firmware.highest)
    return {
        "mirror": _whole(mirror, np.uint16, "column of the fleet"),
        "path": _long(path, "commanded path, (x, y)"),
        "in_force": _long(correction, "correction in force, (x, y)"),
        "codes": _whole(codes, np.int32, "of the DAC, (x, y)"),
    }


def _limits_px(firmware: SingleFirmware) -> Array:
    """Return the largest tilt of each mirror and axis (M, 2). [px]"""
    codes = float(firmware.highest)
    most: Array = (codes**2 if firmware.square else codes) / firmware.codes_per_px.T
    return most


def _drawn(count: int) -> Array:
    """Return numbers (count, 2) from -1 to 1."""
    counter = np.zeros((count, 4), np.int64)
    counter[:, 0] = np.arange(count)
    return philox(counter, KEY)[:, :2].astype(float) / 2.0**31 - 1.0


def _rounded(lengths_px: Array) -> Array:
    return np.ldexp(np.rint(np.ldexp(lengths_px, FRACTION)), -FRACTION)


def _long(lengths_px: Array, what: str) -> VectorArray:
    words = np.rint(np.ldexp(lengths_px, FRACTION)).astype(np.int64)
    return VectorArray(words, f"{what} [px] times 2^{FRACTION}")


def _whole(values: NDArray[Any], kind: type, what: str) -> VectorArray:
    return VectorArray(values.astype(kind), what)
