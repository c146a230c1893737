"""Logs that a laboratory can record, each known by its columns.

| log | columns of the CSV file |
|---|---|
| time series | `time_s`, `excitation_x_urad`, `excitation_y_urad`, `reading_x_urad`, `reading_y_urad`, and in closed loop `correction_x_urad`, `correction_y_urad` |
| frequency response | `frequency_hz`, `gain`, `phase_deg`, and if known `coherence`, `averages` |
| free decay | `time_s`, `tilt_urad` |
| staircase | `voltage_v`, `tilt_urad` |

`mirror` (number) and, but for time series, `axis` (x or y) say whose rows they are; without them
all rows are of mirror 0, axis x. A series of many mirrors may be an NPZ file instead, with
`period_s`, `mirrors` (M,), `excitation_rad`, `correction_rad`, `reading_rad` (T, M, 2) and, if known,
`reference_rad` (M, 2), the tilt about which the mirrors were excited.
"""  # noqa: E501

import csv
from pathlib import Path
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.foundations.errors import ProfileError, nearest
from sim.foundations.files.arrays import read_npz
from sim.foundations.files.reading import is_there, read_text
from sim.foundations.files.text import counted
from sim.foundations.ports import Array

AXES: Final = ("x", "y")
MOST_MIRRORS: Final = 100_000
SPARSEST: Final = 20
"""A series with more holes than this, to one instant, is another log than it says."""


class Series(NamedTuple):
    """Excitation and reading of M mirrors at T instants, one `period_s` apart."""

    period_s: float
    mirrors: NDArray[np.int64]
    excitation_rad: Array
    """(T, M, 2) added to the correction. [rad]"""
    correction_rad: Array
    """(T, M, 2) what the drive was asked for, excitation included. [rad]"""
    reading_rad: Array
    """(T, M, 2) NaN where missing or lost. [rad]"""
    reference_rad: Array
    """(M, 2) tilt about which the mirrors moved; NaN where not known. [rad]"""

    @property
    def closed(self) -> bool:
        """Whether the correction holds more than the excitation."""
        return bool(np.abs(self.correction_rad - self.excitation_rad).max() > 1e-12)


class Curve(NamedTuple):
    """Rows of one mirror and axis: `x` is frequency, time or voltage; `y` what was measured."""

    mirror: int
    axis: int
    x: Array
    y: NDArray
    """Complex response, or tilt. [rad]"""
    sd: Array | None = None
    """Relative standard deviation of a response, from its coherence. [-]"""
    coherence: Array | None = None


class Logs(NamedTuple):
    """All that was read, by kind."""

    series: tuple[Series, ...]
    responses: tuple[Curve, ...]
    decays: tuple[Curve, ...]
    staircases: tuple[Curve, ...]
    files: tuple[Path, ...]


KINDS: Final = {
    "series": ("time_s", "excitation_x_urad", "excitation_y_urad", "reading_x_urad",
               "reading_y_urad"),
    "responses": ("frequency_hz", "gain", "phase_deg"),
    "staircases": ("voltage_v", "tilt_urad"),
    "decays": ("time_s", "tilt_urad"),
}  # fmt: skip
"""Columns that each kind must have; the first kind whose columns are there is taken."""
OPTIONAL: Final = {
    "series": ("mirror", "correction_x_urad", "correction_y_urad"),
    "responses": ("mirror", "axis", "coherence", "averages"),
    "staircases": ("mirror", "axis"),
    "decays": ("mirror", "axis"),
}


def read_logs(path: Path) -> Logs:
    """Read a log file, or all CSV and NPZ files of a folder.

    Raises
    ------
    ProfileError
        Naming file, column or row, rule and value.
    """
    if path.is_dir():
        files = sorted(p for p in path.iterdir() if p.suffix.lower() in (".csv", ".npz"))
        if not files:
            raise ProfileError(f"{path}: holds no log (a file that ends in .csv or .npz)")
    elif is_there(path):
        files = [path]
    else:
        raise ProfileError(f"{path}: no such file or folder")
    found: dict[str, list] = {kind: [] for kind in KINDS}
    for file in files:
        if file.suffix.lower() == ".npz":
            found["series"].append(_npz(file))
            continue
        kind, columns = _csv(file)
        if kind == "series":
            found[kind].append(_series(file, columns))
        else:
            found[kind] += _curves(file, kind, columns)
    return Logs(
        tuple(found["series"]), tuple(found["responses"]), tuple(found["decays"]),
        tuple(found["staircases"]), tuple(files),
    )  # fmt: skip


def _csv(path: Path) -> tuple[str, dict[str, Array]]:
    try:
        rows = list(csv.reader(read_text(path, fault=ProfileError).splitlines()))
    except csv.Error as exc:
        raise ProfileError(f"{path}: is no table in CSV") from exc
    if len(rows) < 2:
        raise ProfileError(f"{path}: must have a header and rows of numbers")
    names = [name.strip() for name in rows[0]]
    for name in names:
        if names.count(name) > 1:
            raise ProfileError(f'{path}: two columns are named "{name}"')
    kind = next((k for k, wanted in KINDS.items() if set(wanted) <= set(names)), None)
    if kind is None:
        raise ProfileError(
            f"{path}: its columns are those of no log. Known: "
            + "; ".join(f"{k}: {', '.join(c)}" for k, c in KINDS.items())
        )
    known = (*KINDS[kind], *OPTIONAL[kind])
    for name in names:
        if name not in known:
            raise ProfileError(f'{path}: unknown column "{name}".{nearest(name, known)}')
    columns = {name: np.empty(len(rows) - 1) for name in names}
    for r, row in enumerate(rows[1:]):
        if len(row) != len(names):
            raise ProfileError(
                f"{path}: line {r + 2}: must have {len(names)} fields (got {len(row)})"
            )
        for name, cell in zip(names, row, strict=True):
            columns[name][r] = _number(path, r + 2, name, cell.strip())
    return kind, columns


def _number(path: Path, line: int, name: str, cell: str) -> float:
    if name == "axis" and cell in AXES:
        return AXES.index(cell)
    missing_allowed = name.startswith("reading") or name == "tilt_urad"
    try:
        value = float(cell) if cell else np.nan
    except ValueError:
        value = np.inf
    if name == "mirror" and value not in range(MOST_MIRRORS):
        raise ProfileError(
            f"{path}: line {line}: mirror: must be a whole number below {MOST_MIRRORS} "
            f"(got {cell[:40]!r})"
        )
    if np.isinf(value) or (np.isnan(value) and not missing_allowed):
        rule = "must be x or y" if name == "axis" else "must be a finite number"
        raise ProfileError(f"{path}: line {line}: {name}: {rule} (got {cell[:40]!r})")
    return value


def _series(path: Path, columns: dict[str, Array]) -> Series:
    n = len(columns["time_s"])
    of = columns.get("mirror", np.zeros(n)).astype(np.int64)
    mirrors = np.unique(of)
    times = np.unique(columns["time_s"])
    if len(times) < 64:
        raise ProfileError(f"{path}: a series needs 64 instants at least (got {len(times)})")
    gaps = np.diff(times)
    period_s = float(np.median(gaps))
    at = np.rint((columns["time_s"] - times[0]) / period_s).astype(np.int64)
    off = np.abs(columns["time_s"] - times[0] - at * period_s)
    if off.max() > 0.05 * period_s:
        row = int(off.argmax())
        raise ProfileError(
            f"{path}: line {row + 2}: time_s: must lie on a grid of {period_s:g} s "
            f"(got {columns['time_s'][row]:g})"
        )
    if at.max() >= SPARSEST * len(times):
        raise ProfileError(
            f"{path}: more than {SPARSEST} instants are missing for each that is there"
        )
    shape = (int(at.max()) + 1, len(mirrors), 2)
    arrays = {}
    for what in ("excitation", "correction", "reading"):
        array = np.full(shape, np.nan)
        for axis, letter in enumerate(AXES):
            column = columns.get(f"{what}_{letter}_urad")
            if column is not None:
                array[at, np.searchsorted(mirrors, of), axis] = 1e-6 * column
        arrays[what] = array
    if "correction_x_urad" not in columns:
        arrays["correction"] = arrays["excitation"].copy()
    for what in ("excitation", "correction"):
        hole = np.isnan(arrays[what])
        if hole.any():
            t, m, _ = np.argwhere(hole)[0]
            raise ProfileError(
                f"{path}: {what} of mirror {mirrors[m]} is missing at "
                f"{times[0] + t * period_s:g} s; what was driven must be known at every instant"
            )
    return Series(period_s, mirrors, arrays["excitation"], arrays["correction"],
                  arrays["reading"], np.full((len(mirrors), 2), np.nan))  # fmt: skip


def _npz(path: Path) -> Series:
    arrays = read_npz(path, fault=ProfileError)
    wanted = ("period_s", "mirrors", "excitation_rad", "correction_rad", "reading_rad")
    for name in wanted:
        if name not in arrays:
            raise ProfileError(f'{path}: array "{name}" is missing. Needed: {", ".join(wanted)}')
    for name, dimensions, rule in (
        ("period_s", 0, "one number above 0"), ("mirrors", 1, "the numbers (M,) of the mirrors"),
    ):  # fmt: skip
        array = arrays[name]
        good = array.ndim == dimensions and array.dtype.kind in "iuf" and np.isfinite(array).all()
        if not good or (name == "period_s" and array <= 0):
            raise ProfileError(f"{path}: {name}: must be {rule}")
    shape = (*arrays["reading_rad"].shape[:1], len(arrays["mirrors"]), 2)
    for name in wanted[2:]:
        if arrays[name].dtype.kind not in "iuf":
            raise ProfileError(f"{path}: {name}: must be real numbers")
        if arrays[name].shape != shape:
            raise ProfileError(
                f"{path}: {name}: must be (T, M, 2) {shape}, got {arrays[name].shape}"
            )
        if name != "reading_rad" and not np.isfinite(arrays[name]).all():
            raise ProfileError(f"{path}: {name}: must be finite throughout")
    unknown = np.full((len(arrays["mirrors"]), 2), np.nan)
    excitation, correction, reading = (arrays[name].astype(float) for name in wanted[2:])
    return Series(
        float(arrays["period_s"]), arrays["mirrors"].astype(np.int64), excitation, correction,
        reading, arrays.get("reference_rad", unknown),
    )  # fmt: skip


def _curves(path: Path, kind: str, columns: dict[str, Array]) -> list[Curve]:
    x = columns[KINDS[kind][0]]
    n = len(x)
    whose = np.stack(
        [columns.get("mirror", np.zeros(n)), columns.get("axis", np.zeros(n))], axis=1
    ).astype(np.int64)
    curves = []
    for mirror, axis in np.unique(whose, axis=0):
        rows = np.flatnonzero((whose == (mirror, axis)).all(axis=1))
        rows = rows[np.argsort(x[rows], kind="stable")]
        coherence = sd = None
        if kind == "responses":
            y = columns["gain"][rows] * np.exp(1j * np.deg2rad(columns["phase_deg"][rows]))
            if "coherence" in columns:
                coherence = columns["coherence"][rows]
                sd = response_sd(path, coherence, columns.get("averages", np.ones(n))[rows])
        else:
            y = 1e-6 * columns["tilt_urad"][rows]
            keep = np.isfinite(y)
            rows, y = rows[keep], y[keep]
        least = {"responses": 6, "decays": 12, "staircases": 5}[kind]
        if len(rows) < least:
            raise ProfileError(
                f"{path}: mirror {mirror}, axis {AXES[axis]}: needs {counted(least, 'row')} at "
                f"least (got {len(rows)})"
            )
        curves.append(Curve(int(mirror), int(axis), x[rows], y, sd, coherence))
    return curves


def response_sd(path: Path, coherence: Array, averages: Array) -> Array:
    """Return the relative standard deviation of magnitude, which is that of the phase in rad.

    sqrt((1 - g) / (2 g n)) for coherence g (squared) and n independent averages, as commonly given
    in random-data analysis (J. S. Bendat and A. G. Piersol, Random Data; from memory).
    """
    if ((coherence <= 0) | (coherence > 1)).any():
        raise ProfileError(f"{path}: coherence: must be above 0 and at most 1")
    if (averages < 1).any():
        raise ProfileError(f"{path}: averages: must be 1 or more")
    return np.sqrt(np.maximum(1.0 - coherence, 1e-6) / (2.0 * coherence * averages))
