"""The firmware as C99 in single precision, for whom floating point is what is asked for."""

import hashlib
import importlib.metadata
import inspect
from collections.abc import Callable
from typing import Any, Final, NamedTuple

import numpy as np

from sim.estimators.centroid import thresholded_centroid, weighted_centroid
from sim.estimators.fit import LARGEST_STEP_SIGMA, gaussian_fit, poisson_fit
from sim.estimators.normal_equations import SMALLEST_VARIANCE_E2
from sim.estimators.peak import log_peak, matched_filter
from sim.estimators.quad_cell import offset_from_balance, quad_cell
from sim.estimators.spot_model import axis_profile
from sim.firmware.law_source import braces
from sim.firmware.source import c_file, filled, printable
from sim.foundations.ports import Array, CameraBelief, SpotReading
from sim.foundations.ports.linear_law import LawMatrices, LinearLaw

POSITION_BOUND: Final = 2.0**-12
"""Of a position against the model in double precision. [px]"""
CORRECTION_BOUND: Final = 2.0**-14
"""Of a correction after up to 32 frames, likewise. [px]"""
REACH_SIGMA: Final = 6.0
"""Profiles are cut off beyond; they are 2e-8 of their peak there. [spot sigmas]"""
CURVE_ENTRIES: Final = 256
LEAST_TOLERANCE_PX: Final = 2e-5
"""Steps are no finer in single precision, 256 pixels from the first one."""
SHARED: Final = ("spot.h", "spot.c", "law.h", "law.c", "servo.h", "servo.c", "drive.h", "drive.c")
MADE: Final = ("settings.h", "coefficients.h", "calibration.h")
KEPT: Final = ("kept.h", "kept.c")
ITERATED: Final = (*KEPT, "iterated.h", "iterated.c")


class SingleFirmware(NamedTuple):
    """What a firmware in single precision computes."""

    title: str
    estimator: Callable[..., SpotReading]
    estimator_kind: str
    settings: dict[str, Any]
    """Of the estimator."""
    camera: CameraBelief
    window_px: tuple[int, int]
    law: LinearLaw
    law_kind: str
    codes_per_px: Array
    """(2, M), or squared codes."""
    lowest: int
    highest: int
    square: bool

    @property
    def mirrors(self) -> int:
        """How many there are."""
        return int(self.codes_per_px.shape[1])


class SingleSource(NamedTuple):
    """The C source: name -> text, and the sum that vectors carry."""

    files: dict[str, str]
    sum: str
    readme: str


class _Spot(NamedTuple):
    kind: str
    macros: dict[str, str]
    files: tuple[str, ...]
    tables: dict[str, str]


def single_source(firmware: SingleFirmware) -> SingleSource:
    """Return the C source of a firmware in single precision.

    Raises
    ------
    ValueError
        If there is no C for the estimator.
    """
    spot, law = _spot_of(firmware), _law_numbers(firmware)
    drive = {
        "lowest": firmware.lowest, "highest": firmware.highest, "square": firmware.square,
        "per_px": _braces(firmware.codes_per_px.T),
    }  # fmt: skip
    made = (law, spot.macros, spot.tables, drive, firmware.mirrors, "single")
    sum_ = hashlib.sha256(repr(made).encode()).hexdigest()
    keeps = spot.macros["SPOT_KEEPS_WINDOW"] == "1"
    height, width = firmware.window_px
    n, s = law["states"], law["sections"]
    known = {
        "version": importlib.metadata.version("mirrorloop"),
        "title": printable(firmware.title),
        "mirrors": firmware.mirrors,
        "law": law,
        "spot": spot,
        "drive": drive,
        "sum": sum_,
        "position_bound": f"{POSITION_BOUND:.2g}",
        "correction_bound": f"{CORRECTION_BOUND:.2g}",
        "state_bytes": 2 * 4 * (2 * max(s, 1) + max(n, 1) + 2),
        "table_bytes": law["table_bytes"],
        "spot_bytes": 8 + ((6 * height * width + 3) // 4 * 4 if keeps else 8),
    }
    files = {name: c_file(f"single/{name}") for name in (*SHARED, *spot.files)}
    files |= {name: filled(f"single/{name}.j2", **known) for name in MADE}
    return SingleSource(files | spot.tables, sum_, filled("single/README.md.j2", **known))


def _spot_of(f: SingleFirmware) -> _Spot:
    """Return what the C of an estimator is made of."""
    if f.estimator not in ESTIMATORS_IN_C:
        known = ", ".join(sorted(each.__name__ for each in ESTIMATORS_IN_C))
        raise ValueError(
            f'estimator.kind: there is no C in single precision for "{f.estimator_kind}"; for '
            f"those there is: {known}"
        )
    height, width = f.window_px
    level = f.camera.black_dn + f.camera.gain_dn_per_e * f.camera.background_e
    edge_px = f.settings["edge_px"]
    shared = {
        "WINDOW_HEIGHT": str(height),
        "WINDOW_WIDTH": str(width),
        "SPOT_LEAST_LIGHT": c_constant(f.settings["min_flux_dn"]),
        "SPOT_EDGE_X": c_constant(0.5 * (width - 1) - edge_px),
        "SPOT_EDGE_Y": c_constant(0.5 * (height - 1) - edge_px),
        "LIGHT_LEVEL": c_constant(level),
        "POSITION_BOUND": repr(POSITION_BOUND),
        "CORRECTION_BOUND": repr(CORRECTION_BOUND),
    }
    own, files, tables = ESTIMATORS_IN_C[f.estimator](f)
    keeps = str(int("kept.c" in files))
    return _Spot(f.estimator_kind, shared | {"SPOT_KEEPS_WINDOW": keeps} | own, files, tables)


Parts = tuple[dict[str, str], tuple[str, ...], dict[str, str]]
"""Macros, files, tables."""


def _setting(f: SingleFirmware, name: str) -> Any:
    """Return a setting of the estimator, which need not be given where it has a default."""
    if name in f.settings:
        return f.settings[name]
    return inspect.signature(f.estimator).parameters[name].default


def _thresholded(f: SingleFirmware) -> Parts:
    return {"SPOT_THRESHOLD": f"({f.settings['threshold_dn']})"}, ("thresholded_centroid.c",), {}


def _quad_cell(f: SingleFirmware) -> Parts:
    height, width = f.window_px
    gap_px, largest = _setting(f, "gap_px"), _setting(f, "max_ratio")
    sigma_px = f.camera.spot_sigma_px
    last = np.log((1 + largest) / (1 - largest))
    # Two entries behind the last, in case the logarithm rounds up.
    at = np.arange(CURVE_ENTRIES + 2) * last / (CURVE_ENTRIES - 1)
    curve = sigma_px * offset_from_balance(np.tanh(0.5 * at), 0.5 * gap_px / sigma_px)
    macros = {
        "QUAD_HALF_WIDTH": str((width - gap_px) // 2),
        "QUAD_HALF_HEIGHT": str((height - gap_px) // 2),
        "QUAD_LARGEST_RATIO": c_constant(largest),
        "QUAD_CURVE_STEPS": c_constant((CURVE_ENTRIES - 1) / last),
    }
    text = f"static const float quad_curve[{len(curve)}] = {_braces(curve)};\n"
    what = "/* Offset [px] over the logarithm of right over left, QUAD_CURVE_STEPS a unit. */\n"
    return macros, ("quad_cell.c",), {"quad_curve.h": what + text}


def _profiles(f: SingleFirmware) -> tuple[dict[str, str], dict[str, str]]:
    """Return macros and tables of the correlation with the spot's profile."""
    reach = int(np.ceil(REACH_SIGMA * f.camera.spot_sigma_px))
    text = "/* Row i: taps of pixels i + k - PROFILE_REACH. */\n"
    for axis, side in (("x", f.window_px[1]), ("y", f.window_px[0])):
        rows = axis_profile(np.arange(side), f.camera.spot_sigma_px, side)
        rows = np.pad(rows / np.linalg.norm(rows, axis=1, keepdims=True), ((0, 0), (reach, reach)))
        taps = np.stack([rows[i, i : i + 2 * reach + 1] for i in range(side)])
        text += f"static const float profile_along_{axis}[{side}][{2 * reach + 1}] = "
        text += f"{_braces(taps)};\n"
    return {"PROFILE_REACH": str(reach)}, {"profiles.h": text}


def _peak(f: SingleFirmware) -> Parts:
    macros, tables = _profiles(f)
    matched = str(int(f.estimator is matched_filter))
    return macros | {"PEAK_MATCHED": matched}, (*KEPT, "peak.c"), tables


def _iterated(f: SingleFirmware, largest_px: float) -> dict[str, str]:
    tolerance = max(_setting(f, "tolerance_px"), LEAST_TOLERANCE_PX)
    return {
        "SPOT_ITERATIONS": str(_setting(f, "max_iterations")),
        "SPOT_TOLERANCE": c_constant(tolerance),
        "SPOT_LARGEST_STEP": c_constant(largest_px),
    }


def _weighted(f: SingleFirmware) -> Parts:
    macros, tables = _profiles(f)
    sigma_px = f.settings["weight_sigma_px"]
    stride = 1.0 + (f.camera.spot_sigma_px**2 + 1 / 12) / sigma_px**2
    macros |= _iterated(f, sigma_px)
    macros |= {"WEIGHT_SIGMA": c_constant(sigma_px), "WEIGHT_STRIDE": c_constant(stride)}
    return macros, (*ITERATED, "weighted_centroid.c"), tables


def _fit(f: SingleFirmware) -> Parts:
    macros, tables = _profiles(f)
    gain, c = f.camera.gain_dn_per_e, f.camera
    noise_e2 = c.read_noise_e**2 + 1 / (12 * gain**2)
    macros |= _iterated(f, LARGEST_STEP_SIGMA * c.spot_sigma_px)
    macros |= {
        "SPOT_SIGMA": c_constant(c.spot_sigma_px),
        "FIT_WEIGHS": str(int(f.estimator is poisson_fit)),
        "FIT_VARIANCE": c_constant(gain * (c.background_e + noise_e2)),
        "FIT_LEAST": c_constant(gain * SMALLEST_VARIANCE_E2),
    }
    return macros, (*ITERATED, "fit.c"), tables


ESTIMATORS_IN_C: Final[dict[Callable[..., SpotReading], Callable[[SingleFirmware], Parts]]] = {
    gaussian_fit: _fit,
    log_peak: _peak,
    matched_filter: _peak,
    poisson_fit: _fit,
    quad_cell: _quad_cell,
    thresholded_centroid: _thresholded,
    weighted_centroid: _weighted,
}
"""Estimator -> what its C is made of."""


def _law_numbers(f: SingleFirmware) -> dict[str, Any]:
    """Return what the templates need of a law."""
    law = f.law
    n, s = len(law.conditional), len(law.sections)
    both = [_rows(part, n) for part in (law.seen, law.lost)]
    sets = max(len(rows) for rows in both)
    rows = np.stack([np.broadcast_to(r, (sets, *r.shape[1:])) for r in both])
    sections = law.sections if s else np.zeros((1, 1, 2, 5))
    standing = law.standing if n else np.zeros((1, 2, 1))
    none = np.zeros(1, int)
    return {
        "kind": f.law_kind,
        "states": n,
        "sections": s,
        "sets": sets,
        "section_sets": sections.shape[1],
        "standing_sets": len(standing),
        "rows": _braces(rows),
        "coefficients": _braces(sections),
        "conditional": braces(law.conditional.astype(int) if n else none),
        "previous": braces(law.previous.astype(int) if n else none),
        "standing": _braces(standing),
        "table_bytes": 4 * (rows.size + sections.size + standing.size) + 2 * max(n, 1),
    }


def _rows(m: LawMatrices, n: int) -> Array:
    """Return coefficients (1 or M, 2, n + 1, n + 2), as `FixedLaw.rows` has them."""
    found = np.empty((max(len(part) for part in m), 2, n + 1, n + 2))
    found[..., :n, 0], found[..., :n, 1:-1], found[..., :n, -1] = m.B, m.A, m.G
    found[..., n, 0], found[..., n, 1:-1], found[..., n, -1] = m.D, m.C, m.H
    return found


def c_constant(value: float) -> str:
    """Return a number as a constant of C, to the digits of single precision."""
    text = f"{float(np.float32(value)):.9g}"
    return f"{text if '.' in text or 'e' in text else text + '.0'}f"


def _braces(numbers: Array) -> str:
    return braces(numbers, text=c_constant)
