"""A move in stages: which mirrors are sent to their new aims in which frame."""

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.foundations.errors import ScenarioError
from sim.foundations.ports import Array
from sim.optics.switch import MoveParams, StageParams

FRAME_ROUNDING = 1e-6
"""A command this close after a frame's start, in frames, still counts for that frame."""
AXES = {"both": (True, True), "x": (True, False), "y": (False, True)}


class Stage(NamedTuple):
    """Mirrors that are sent to their aims at the start of one frame."""

    frame: int
    aim_rad: Array
    """(M, 2) where each mirror is sent, or has been sent before. [rad]"""


def frame_of(at_ms: float, frame_s: float) -> int:
    """Return the frame at whose start a command of an instant takes effect."""
    return math.ceil(1e-3 * at_ms / frame_s - FRAME_ROUNDING)


def staged(
    move: MoveParams, key: str, mirrors: NDArray[np.int64], ports: int,
    aims_rad: tuple[Array, Array], *, frame_s: float, end: int,
) -> tuple[Stage, ...]:  # fmt: skip
    """Return the stages of a move.

    Parameters
    ----------
    move : MoveParams
        With stages.
    key : str
        Where the scenario has them, for messages.
    mirrors : (M,) ndarray of int
        Numbers of the mirrors in the run.
    ports : int
        Inputs: mirrors of array B count from there.
    aims_rad : ((M, 2) ndarray, (M, 2) ndarray)
        Before the move, and after it. [rad]
    frame_s : float
        Length of a frame. [s]
    end : int
        Frame before which the last stage must begin.

    Raises
    ------
    ScenarioError
        If stages are out of order or too late, name a mirror that is not there, name an axis twice,
        or leave out one that moves.
    """
    before, after = aims_rad
    aim, sent = before.copy(), np.zeros(before.shape, bool)
    stages: list[Stage] = []
    for number, stage in enumerate(move.stages):
        at = f"{key}.{number}"
        frame = frame_of(move.at_ms + stage.after_ms, frame_s)
        if stages and frame < stages[-1].frame:
            raise ScenarioError(
                f"{at}.after_ms: stages must come in order of time (got {stage.after_ms:g})"
            )
        if frame >= end:
            raise ScenarioError(
                f"{at}.after_ms: must begin inside the run and before the next move, less than "
                f"{1e3 * end * frame_s - move.at_ms:g} ms after the command "
                f"(got {stage.after_ms:g})"
            )
        chosen = np.zeros(before.shape, bool)
        chosen[_columns(stage, f"{at}.mirrors", mirrors, ports)] = AXES[stage.axes]
        twice = np.argwhere(chosen & sent)
        if len(twice):
            raise ScenarioError(
                f"{at}.mirrors: axis {'xy'[twice[0][1]]} of mirror "
                f"{_name(int(mirrors[twice[0][0]]), ports)} is in two stages"
            )
        sent |= chosen
        aim = np.where(chosen, after, aim)
        if stages and stages[-1].frame == frame:
            stages.pop()
        stages.append(Stage(frame, aim))
    left = np.argwhere((after != before) & ~sent)
    if len(left):
        raise ScenarioError(
            f"{key}: axis {'xy'[left[0][1]]} of mirror "
            f"{_name(int(mirrors[left[0][0]]), ports)} moves, but is in none of them"
        )
    return tuple(stages)


def _columns(
    stage: StageParams, key: str, mirrors: NDArray[np.int64], ports: int
) -> NDArray[np.int64]:
    """Return the places (K,) of a stage's mirrors among those of the run."""
    if stage.mirrors in ("A", "B"):
        return np.flatnonzero((mirrors >= ports) == (stage.mirrors == "B"))
    place = {int(number): m for m, number in enumerate(mirrors)}
    found = []
    for name in stage.mirrors:
        port = int(name[1:])
        number = port + ports if name[0] == "B" else port
        at = place.get(number)
        if at is None or (name[0] == "A" and port >= ports):
            raise ScenarioError(
                f"{key}: mirrors must carry light at some time of the run (got {name!r})"
            )
        found.append(at)
    return np.array(found)


def _name(mirror: int, ports: int) -> str:
    return f"A{mirror:02d}" if mirror < ports else f"B{mirror - ports:02d}"
