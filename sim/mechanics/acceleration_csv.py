"""Measured acceleration from CSV files: a header row, a column of time, three columns of values."""

import csv
import json
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.foundations.errors import ProfileError, nearest
from sim.foundations.files.text import counted
from sim.foundations.params import LARGEST
from sim.foundations.ports import Array
from sim.mechanics.plausible import check_names
from sim.mechanics.recording import (
    Recording,
    acceleration_unit,
    check_length,
    check_rate,
    finite_number,
    lines_of,
    used_axes,
)

GAP_STEPS = 1.5
"""A time step longer than this many median steps is a gap."""
UNEVEN_STEPS = 0.2
"""A sample further than this many steps from an even grid is refused."""
BLOCK_ROWS = 512


class CsvLayout(NamedTuple):
    """How a CSV file is written."""

    delimiter: str = ","
    skip_rows: int = 0
    """Lines before the header row that are no remarks."""
    comment: str = "#"
    """What a remark starts with."""


PLAIN_CSV = CsvLayout()
TIME_UNITS_S = {"s": 1.0, "ms": 1e-3, "us": 1e-6}


class AccelerationTable(NamedTuple):
    """Chosen columns of a CSV file."""

    values: Array
    """(N, C)."""
    lines: NDArray[np.int64]
    """(N,) line of the file that each row is on, counted from one."""
    remarks: str
    """The lines that start with '#', joined."""


def read_acceleration_csv(
    path: Path,
    *,
    time_column: str,
    columns: Sequence[str],
    units: str,
    time_unit: str = "s",
    layout: CsvLayout = PLAIN_CSV,
) -> Recording:
    """Read acceleration from a CSV file with a header row and a column of time.

    Lines that start with '#' are remarks. Time must rise at an even rate without gaps.

    Parameters
    ----------
    path : Path
        The file, UTF-8.
    time_column : str
        Name of the column of time.
    columns : sequence of three str
        Column for axis x, y and z; "" leaves the axis at zero.
    units : str
        What the columns hold: "g", "m/s^2" or "gal" (cm/s^2).
    time_unit : {"s", "ms", "us"}
        What the column of time holds.
    layout : CsvLayout
        How the file is written.

    Returns
    -------
    Recording

    Raises
    ------
    ProfileError
        If the file cannot be read or breaks a rule; the message gives file, line, rule, value.
    """
    unit_m_s2 = acceleration_unit(path, units)
    used = used_axes(path, columns)
    check_names(path, time_column, columns, units, time_unit)
    table = read_table(path, [time_column, *(columns[axis] for axis in used)], layout)
    if time_unit != "s":
        table.values[:, 0] *= TIME_UNITS_S[time_unit]
    first_s, rate_hz, warnings = _even_rate(path, table)
    _check_size(path, table, [columns[axis] for axis in used])
    acceleration = np.zeros((len(table.values), 3))
    acceleration[:, used] = unit_m_s2 * table.values[:, 1:]
    return Recording(first_s, rate_hz, acceleration, warnings, table.remarks)


def read_table(
    path: Path, columns: Sequence[str], layout: CsvLayout = PLAIN_CSV
) -> AccelerationTable:
    """Read the named columns of a CSV file as finite numbers.

    Parameters
    ----------
    path : Path
        The file, UTF-8, with one header row; lines that start with '#' and empty ones are skipped.
    columns : sequence of str
        Names in the header, in the order wanted.
    layout : CsvLayout
        How the file is written.

    Returns
    -------
    AccelerationTable

    Raises
    ------
    ProfileError
        If the file, a column or a value is missing, or a value is not a finite number.
    """
    lines = lines_of(path)
    mark = layout.comment
    said = [line.strip() for line in lines]
    remarks = [text.lstrip(mark).strip() for text in said if text.startswith(mark)]
    held = [
        row
        for row, text in enumerate(said[layout.skip_rows :], start=layout.skip_rows)
        if text and not text.startswith(mark)
    ]
    if not held:
        raise ProfileError(f"{path}: a header row with column names is needed, the file has none")
    comma = layout.delimiter
    first = lines[held[0]]
    header = _cells(path, held[0] + 1, first, comma)
    for name in columns:
        if header.count(name) != 1:
            ours = any(column in header for column in columns)  # or it is some other file
            fault = _column_fault(name, header, first, comma, quote=ours)
            raise ProfileError(f"{path}: {fault}")
    at = [header.index(name) for name in columns]
    numbers = np.array(held[1:], dtype=np.int64) + 1
    rows = [lines[row] for row in held[1:]]
    values = _fast_values(rows, len(header), at, comma)
    if values is None:  # quotes, or a fault somewhere: row by row, but only where that is
        values = np.concatenate(
            [np.empty((0, len(at))), *_by_blocks(path, numbers, rows, header, at, comma)]
        )
    return AccelerationTable(values, numbers, "; ".join(line for line in remarks if line))


def _column_fault(name: str, header: list[str], line: str, comma: str, *, quote: bool) -> str:
    """Say what is wrong with a column; `quote` the header if it is one of the expected form."""
    if name in header:
        return f'column "{name}" is there {header.count(name)} times; a column needs its own name'
    other = [sign for sign in (",", ";", "\t", "|") if sign != comma and sign in line]
    if len(header) == 1 and other:
        return (
            f'column "{name}" does not exist: the header is separated by {other[0]!r}; '
            f"set delimiter = {json.dumps(other[0])}"
        )
    known = f"{nearest(name, header)} Columns: {', '.join(header)}." if quote else ""
    return f'column "{name}" does not exist.{known}'


def _fast_values(lines: list[str], width: int, at: list[int], comma: str) -> Array | None:
    """Read plain, whole rows of numbers at once; None if a row is not that."""
    if not lines or any(line.count(comma) != width - 1 for line in lines):
        return None
    try:
        values = np.loadtxt(lines, delimiter=comma, usecols=at, ndmin=2, comments=None)
    except (ValueError, OverflowError):
        return None
    return values if np.isfinite(values).all() else None


def _by_blocks(
    path: Path, numbers: NDArray[np.int64], rows: list[str], header: list[str], at: list[int],
    comma: str,
) -> Iterator[Array]:  # fmt: skip
    """Read rows block by block, a block at once where it is plain."""
    for start in range(0, len(rows), BLOCK_ROWS):
        own = slice(start, start + BLOCK_ROWS)
        values = _fast_values(rows[own], len(header), at, comma)
        if values is None:
            values = _checked_values(path, numbers[own], rows[own], header, at, comma)
        yield values


def _checked_values(
    path: Path, numbers: NDArray[np.int64], rows: list[str], header: list[str], at: list[int],
    comma: str,
) -> Array:  # fmt: skip
    """Read row by row, and name the first that breaks a rule."""
    values = np.empty((len(rows), len(at)))
    for row, (number, line) in enumerate(zip(numbers.tolist(), rows, strict=True)):
        cells = _cells(path, number, line, comma)
        if len(cells) != len(header):
            raise ProfileError(
                f"{path}: line {number}: a row must have {counted(len(header), 'value')} like the "
                f"header, got {len(cells)}"
            )
        values[row] = [finite_number(path, number, cells[i], header[i]) for i in at]
    return values


def _cells(path: Path, number: int, line: str, comma: str) -> list[str]:
    try:
        return [cell.strip() for cell in next(csv.reader([line], delimiter=comma))]
    except (csv.Error, StopIteration) as exc:
        raise ProfileError(
            f"{path}: line {number}: is no row of a CSV file; it has "
            f"{counted(len(line), 'character')}"
        ) from exc


def _even_rate(path: Path, table: AccelerationTable) -> tuple[float, float, tuple[str, ...]]:
    """Return first time, rate and warnings, or refuse the column of time."""
    time_s = table.values[:, 0]
    check_length(path, len(time_s))
    steps = np.diff(time_s)
    if (steps <= 0).any():
        at = int(np.argmax(steps <= 0)) + 1
        raise ProfileError(
            f"{path}: line {table.lines[at]}: time must rise from row to row, "
            f"got {time_s[at]:.9g} s after {time_s[at - 1]:.9g} s"
        )
    median = float(np.median(steps))
    if (steps > GAP_STEPS * median).any():
        at = int(np.argmax(steps > GAP_STEPS * median)) + 1
        raise ProfileError(
            f"{path}: line {table.lines[at]}: no time step may exceed {GAP_STEPS} times the "
            f"median of {median:.6g} s (a gap), got {steps[at - 1]:.6g} s"
        )
    middle = (len(time_s) - 1) / 2
    rank = np.arange(len(time_s)) - middle
    step_s = float(rank @ time_s / (rank @ rank))  # slope of the best straight line
    first_s = float(time_s.mean()) - step_s * middle
    check_rate(path, 1.0 / step_s)
    off = np.abs(time_s - first_s - step_s * np.arange(len(time_s))) / step_s
    at = int(np.argmax(off))
    if off[at] > UNEVEN_STEPS:
        raise ProfileError(
            f"{path}: line {table.lines[at]}: samples must be evenly spaced within "
            f"{UNEVEN_STEPS} of a step, got {time_s[at]:.9g} s, {off[at]:.3g} steps off"
        )
    warnings: tuple[str, ...] = ()
    if off[at] > 0.02:
        warnings = (
            f"{path}: times are up to {off[at]:.2g} of a step off an even grid (rounding in the "
            "file?); the even grid is used",
        )
    return first_s, 1.0 / step_s, warnings


def _check_size(path: Path, table: AccelerationTable, names: Sequence[str]) -> None:
    """Refuse values whose squares a double cannot hold, by their line."""
    row, column = np.unravel_index(
        int(np.abs(table.values[:, 1:]).argmax()), table.values[:, 1:].shape
    )
    value = float(table.values[row, 1 + column])
    if abs(value) > LARGEST:
        raise ProfileError(
            f'{path}: line {table.lines[row]}: "{names[int(column)]}" must be a finite number of '
            f"at most {LARGEST:g}, got {value:g}"
        )
