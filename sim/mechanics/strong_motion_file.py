"""Measured acceleration from the plain-text "V1" files of strong-motion networks."""

import re
from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

import numpy as np

from sim.foundations.errors import ProfileError, nearest
from sim.foundations.files.text import counted
from sim.foundations.ports import Array
from sim.mechanics.recording import (
    Recording,
    acceleration_unit,
    check_length,
    check_rate,
    finite_number,
    lines_of,
    used_axes,
)


class _Channel(NamedTuple):
    direction: str
    start: str
    rate_hz: float
    units: str
    values: Array
    line: int


_DIRECTION = re.compile(r"^Chan\s+\d+:\s*(.*?)\s*$")
_START = re.compile(r"Start time:\s*(.*?)\s*$")
_POINTS = re.compile(
    r"^\s*(\d+)\s+Accelerogram points at\s+([\d.]+)\s+pts/sec in units of\s+(\S+?)\.?\s+"
    r"Format:\s*\((\d+)[fF](\d+)\.\d+\)"
)


def read_avol1(path: Path, *, columns: Sequence[str], units: str) -> Recording:
    """Read acceleration from a plain-text uncorrected "volume 1" file of a strong-motion network.

    The layout is the one of California's strong-motion programme: for each channel a text header
    with a line such as ``Chan  1:  90 Deg``, a line
    ``N Accelerogram points at R pts/sec in units of g. Format: (8f9.6)``, and then the values in
    fixed-width columns. Channels that end at different times are cut to the shortest, and a
    warning says so.

    Parameters
    ----------
    path : Path
        The file.
    columns : sequence of three str
        Channel for axis x, y and z by its direction as the header has it, for example "90 Deg" or
        "Up"; "" leaves the axis at zero.
    units : str
        The declared unit; it must be the one that the header states.

    Returns
    -------
    Recording
        Time counts from the first sample.

    Raises
    ------
    ProfileError
        If the file cannot be read or breaks a rule; the message gives file, line, rule, value.
    """
    unit_m_s2 = acceleration_unit(path, units)
    used = used_axes(path, columns)
    channels = _avol1_channels(path)
    known = {channel.direction: channel for channel in channels}
    for axis in used:
        if columns[axis] not in known:
            raise ProfileError(
                f'{path}: channel "{columns[axis]}" does not exist.{nearest(columns[axis], known)} '
                f"Channels: {', '.join(known)}."
            )
    chosen = [known[columns[axis]] for axis in used]
    first = chosen[0]
    for channel in chosen:
        if channel.units.lower() != units:
            raise ProfileError(
                f"{path}: line {channel.line}: the declared unit must be the file's own, "
                f'declared "{units}", the file says "{channel.units}"'
            )
        if (channel.rate_hz, channel.start) != (first.rate_hz, first.start):
            raise ProfileError(
                f"{path}: line {channel.line}: channels must share rate and start time, "
                f"got {channel.rate_hz:g} Hz from {channel.start} and "
                f"{first.rate_hz:g} Hz from {first.start}"
            )
    check_rate(path, first.rate_hz)
    lengths = [len(channel.values) for channel in chosen]
    shortest = min(lengths)
    check_length(path, shortest)
    acceleration = np.zeros((shortest, 3))
    for axis, channel in zip(used, chosen, strict=True):
        acceleration[:, axis] = unit_m_s2 * channel.values[:shortest]
    warnings: tuple[str, ...] = ()
    if max(lengths) > shortest:
        warnings = (
            f"{path}: channels of {', '.join(map(str, lengths))} samples are cut to the shortest",
        )
    return Recording(0.0, first.rate_hz, acceleration, warnings)


def _avol1_channels(path: Path) -> list[_Channel]:
    lines = lines_of(path)
    channels: list[_Channel] = []
    direction = start = ""
    at = 0
    while at < len(lines):
        line = lines[at]
        if match := _DIRECTION.match(line):
            direction = " ".join(match[1].split())
        elif match := _START.search(line):
            start = match[1]
        elif match := _POINTS.match(line):
            count, per_line, width = int(match[1]), int(match[4]), int(match[5])
            values = _fixed_width(path, lines, at + 1, count, per_line, width)
            channels.append(
                _Channel(direction, start, float(match[2]), match[3], values, line=at + 1)
            )
            at += -(-count // per_line)
        at += 1
    if not channels:
        raise ProfileError(
            f'{path}: a line "N Accelerogram points at R pts/sec in units of U. Format: (8f9.6)" '
            "is needed, the file has none"
        )
    directions = [channel.direction for channel in channels]
    if len(set(directions)) < len(directions):
        raise ProfileError(
            f"{path}: channels must differ in direction, got {', '.join(directions)}"
        )
    return channels


def _fixed_width(
    path: Path, lines: list[str], at: int, count: int, per_line: int, width: int
) -> Array:
    values: list[float] = []
    while len(values) < count:
        if at >= len(lines):
            raise ProfileError(
                f"{path}: line {at}: {counted(count, 'value')} announced, the file ends after "
                f"{len(values)}"
            )
        for column in range(min(per_line, count - len(values))):
            cell = lines[at][column * width : (column + 1) * width]
            values.append(finite_number(path, at + 1, cell, f"value {len(values) + 1}"))
        at += 1
    return np.array(values)
