"""States on disk: one file, whole or not at all, that belongs to one scenario.

The file is a numpy archive without pickled objects, so that reading it runs no code: arrays under
their dotted names, and a header (JSON) with all that is not an array, the scenario, and a sum over
everything.
"""

import hashlib
import importlib.metadata
import json
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from sim.foundations.errors import OutputError, SimError
from sim.foundations.files.arrays import read_npz
from sim.foundations.files.filing import putting
from sim.foundations.files.reading import is_there
from sim.loop.fit import check_fit
from sim.loop.health import EXAMPLE
from sim.loop.parts import Parts
from sim.loop.state import CameraPicture, LoopState, initial_state
from sim.loop.tree import grown, leaves, lengths, misfit

FORMAT: Final = 1
HEADER: Final = "header"
SILENT: Final = ("title", "question", "limits")
"""Keys of a scenario that change nothing in the loop."""
WHOLE: Final = "a saved state, or not a whole one"
LARGEST_MB: Final = 4000.0
"""A state, traces included."""
NUMBERS: Final = "biufc"
"""Kinds of arrays that can be saved."""


class StateError(SimError):
    """A state cannot be saved, or a saved one cannot be used."""


def save_state(
    parts: Parts, state: LoopState, path: str | Path, *, overwrite: bool = False
) -> None:
    """Write a state to a file.

    Parameters
    ----------
    parts : Parts
        Those that the state is of.
    state : LoopState
        From `initial_state` or `steps`.
    path : str or Path
        The file.
    overwrite : bool
        Whether an existing file may be replaced.

    Raises
    ------
    StateError
        If a part of the state is something else than NamedTuples, tuples, arrays of numbers,
        numbers, texts and None, or has another form than it had before the first frame.
    OutputError
        If the file exists and may not be replaced, or cannot be written.
    ValueError
        If the state does not fit the parts.
    """
    check_fit(parts, state)
    if wrong := misfit(_form(parts), state):
        raise StateError(
            f"state: {wrong}, as before the first frame; one of another form cannot be saved"
        )
    arrays: dict[str, NDArray[Any]] = {}
    values: dict[str, Any] = {}
    for name, leaf in leaves(state):
        if isinstance(leaf, np.ndarray | np.generic) and leaf.dtype.kind in NUMBERS:
            arrays[name] = np.asarray(leaf)
        elif leaf is None or type(leaf) in (bool, int, float, str):
            values[name] = leaf
        else:
            raise StateError(
                f"state: {name} is a {type(leaf).__name__} and cannot be saved; a state is made of "
                "NamedTuples, tuples, arrays of numbers, numbers, texts and None"
            )
    header = {
        "format": FORMAT,
        "identity": identity(parts),
        "values": values,
        "lengths": dict(lengths(state)),
    }
    text = json.dumps(header | {"sum": _sum(header, arrays)})
    place = Path(path)
    if place.exists() and not overwrite:
        raise OutputError(f"{place}: already exists, left unchanged. Allow overwriting")
    try:
        with putting(place) as file:
            np.savez(file, allow_pickle=False, **{HEADER: np.array(text)}, **arrays)
    except OSError as exc:
        raise OutputError(f"{place}: cannot be written: {exc.strerror}") from exc


def load_state(parts: Parts, path: str | Path) -> LoopState:
    """Read a state that `save_state` wrote.

    Parameters
    ----------
    parts : Parts
        Of the same scenario as the state.
    path : str or Path
        The file.

    Returns
    -------
    LoopState

    Raises
    ------
    StateError
        If there is no such file, if it is not a whole state, or one of another scenario.
    """
    header, arrays = _read(Path(path))
    _check_identity(header["identity"], identity(parts), path)

    def leaf(name: str) -> Any:
        if name in header["values"]:
            return header["values"][name]
        array = arrays[name]
        return array if array.ndim else array[()]

    try:
        state = grown(_form(parts), lambda name: int(header["lengths"][name]), leaf)
        check_fit(parts, state)
    except (KeyError, ValueError) as exc:
        raise StateError(f"{path}: is not a state of this program: {exc}") from exc
    assert isinstance(state, LoopState)
    return state


def identity(parts: Parts) -> dict[str, Any]:
    """Return what a state belongs to: program, scenario, and what is in the files that it reads.

    Where files lie makes no difference.
    """
    scenario = {key: value for key, value in parts.scenario.items() if key not in SILENT}
    return {
        "version": importlib.metadata.version("mirrorloop"),
        "scenario": _by_content(scenario),
    }


def _by_content(tree: Any) -> Any:
    """Return plain data with each file that it names replaced by a sum over what is in it."""
    if isinstance(tree, dict):
        named = {"file": _sum_of(Path(tree["file"]))} if isinstance(tree.get("file"), str) else {}
        return {key: _by_content(part) for key, part in tree.items()} | named
    return [_by_content(part) for part in tree] if isinstance(tree, list | tuple) else tree


def _sum_of(file: Path) -> str:
    return hashlib.sha256(file.read_bytes()).hexdigest() if file.is_file() else "missing"


def _form(parts: Parts) -> LoopState:
    """Return a state of the form that all states of these parts have."""
    picture = CameraPicture("", 0, np.zeros((0, 0, 0), np.uint16))
    state = initial_state(parts)
    health = None if state.health is None else state.health._replace(alarms=(EXAMPLE,))
    return state._replace(pictures=(picture,), health=health)


def _sum(header: dict[str, Any], arrays: dict[str, NDArray[Any]]) -> str:
    """Return a sum (SHA-256) over everything in a file."""
    total = hashlib.sha256(json.dumps(header, sort_keys=True).encode())
    for name, array in sorted(arrays.items()):
        total.update(f"{name} {array.dtype.str} {array.shape}".encode())
        total.update(np.ascontiguousarray(array).tobytes())
    return total.hexdigest()


def _read(path: Path) -> tuple[dict[str, Any], dict[str, NDArray[Any]]]:
    """Return header and arrays of a file that is whole."""
    if not is_there(path):
        raise StateError(f"{path}: there is no such file")
    try:
        arrays = read_npz(path, fault=StateError, largest_mb=LARGEST_MB, what=WHOLE)
        header = json.loads(str(arrays.pop(HEADER)))
        stated = header.pop("sum")
        good = header["format"] == FORMAT and stated == _sum(header, arrays)
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as exc:
        raise StateError(f"{path}: is not {WHOLE}") from exc
    if not good:
        raise StateError(f"{path}: has changed since it was saved, or is of another format")
    return header, arrays


def _check_identity(saved: dict[str, Any], own: dict[str, Any], path: str | Path) -> None:
    if saved == json.loads(json.dumps(own)):
        return
    there, here = (_flat(each) for each in (saved, own))
    key = next(k for k in sorted({*there, *here}) if there.get(k) != here.get(k))
    raise StateError(
        f"{path}: is a state of another scenario: {key.removeprefix('scenario.')} is "
        f"{there.get(key, 'absent')!r} there, {here.get(key, 'absent')!r} here"
    )


def _flat(tree: Any, name: str = "") -> dict[str, Any]:
    """Return the leaves of plain data with their dotted names."""
    if isinstance(tree, list | tuple):
        tree = {str(i): part for i, part in enumerate(tree)}
    if not isinstance(tree, dict):
        return {name: tree}
    found: dict[str, Any] = {}
    for key, part in tree.items():
        found |= _flat(part, f"{name}.{key}" if name else key)
    return found
