"""Which mirrors belong to which driver board and camera: by declared maps, or the usual ones."""

import re
from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from sim.foundations.errors import ScenarioError, nearest

BOARD_MIRRORS: Final = 16
"""Mirrors of a driver board where the scenario names no boards: 32 channels (common practice)."""
_NAME = re.compile(r"([AB])(\d{1,4})$")
Flags = NDArray[np.bool_]
Names = Mapping[str, Sequence[str]]


def mirror_numbers(names: Sequence[str], ports: int, outputs: int, key: str) -> NDArray[np.int64]:
    """Return the numbers of mirrors by their names, "A03", or ranges of them, "A00-A15".

    Parameters
    ----------
    names : sequence of str
        As the scenario has them.
    ports, outputs : int
        Mirrors of array A and of array B.
    key : str
        Where the scenario has them, for messages.

    Raises
    ------
    ScenarioError
        If a name means no mirror, or a range goes from one array to the other or backwards.
    """
    found: list[int] = []
    for name in names:
        ends = [_number(part.strip(), ports, outputs, key, name) for part in name.split("-", 1)]
        first, last = ends[0], ends[-1]
        if last < first or (first < ports) != (last < ports):
            raise ScenarioError(
                f"{key}: a range goes from a lower to a higher mirror of one array (got {name!r})"
            )
        found += range(first, last + 1)
    return np.unique(np.array(found, dtype=np.int64))


def _number(text: str, ports: int, outputs: int, key: str, whole: str) -> int:
    match = _NAME.match(text)
    if match is None:
        raise ScenarioError(
            f'{key}: mirrors are named as "A03", ranges of them as "A00-A15" (got {whole!r})'
        )
    side, number = match.group(1), int(match.group(2))
    most = ports if side == "A" else outputs
    if number >= most:
        raise ScenarioError(
            f"{key}: array {side} has mirrors {side}00 to {side}{most - 1:02d} (got {whole!r})"
        )
    return number if side == "A" else ports + number


def boards_of(
    declared: Names | None, mirrors: NDArray[np.int64], ports: int, outputs: int
) -> dict[str, Flags]:
    """Return which of the simulated mirrors (M,) each driver board drives.

    Without a map, sixteen mirrors of one array, in the order of their numbers, share a board: A-1
    drives A00 to A15.
    """
    if declared is not None:
        return _declared(declared, mirrors, ports, outputs, "boards")
    found: dict[str, Flags] = {}
    for side, first, count in (("A", 0, ports), ("B", ports, outputs)):
        for i, low in enumerate(range(first, first + count, BOARD_MIRRORS)):
            high = min(low + BOARD_MIRRORS, first + count)
            found[f"{side}-{i + 1}"] = (mirrors >= low) & (mirrors < high)
    return found


def cameras_of(
    declared: Names | None, mirrors: NDArray[np.int64], ports: int, outputs: int
) -> dict[str, Flags]:
    """Return which of the simulated mirrors (M,) each camera sees.

    Without a map, camera A sees array A, and camera B array B: the sensors of the model.
    """
    if declared is not None:
        return _declared(declared, mirrors, ports, outputs, "cameras")
    return {"A": mirrors < ports, "B": mirrors >= ports}


def _declared(
    declared: Names, mirrors: NDArray[np.int64], ports: int, outputs: int, section: str
) -> dict[str, Flags]:
    owner: dict[int, str] = {}
    found = {}
    for name, members in declared.items():
        numbers = mirror_numbers(members, ports, outputs, f"{section}.{name}")
        for number in numbers.tolist():
            if number in owner:
                side = f"A{number:02d}" if number < ports else f"B{number - ports:02d}"
                raise ScenarioError(
                    f"{section}.{name}: a mirror belongs to one of {section}, and {side} is "
                    f'already in "{owner[number]}"'
                )
            owner[number] = name
        found[name] = np.isin(mirrors, numbers)
    return found


def member(groups: Mapping[str, Flags], name: str, key: str, what: str) -> Flags:
    """Return the mirrors (M,) of a board or camera by its name.

    Raises
    ------
    ScenarioError
        If there is none of that name, or none of its mirrors takes part in the run.
    """
    if name not in groups:
        known = ", ".join(groups)
        raise ScenarioError(
            f'{key}: there is no {what} "{name}".{nearest(name, groups)} Known: {known}.'
        )
    if not groups[name].any():
        raise ScenarioError(f'{key}: no mirror of {what} "{name}" carries light in this run')
    return groups[name]
