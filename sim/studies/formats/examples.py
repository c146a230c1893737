"""The input that takes each state of a law in words farthest, and what comes of it."""

from typing import Any, NamedTuple

import numpy as np

from sim.firmware.controller import FixedController
from sim.firmware.worst_inputs import WorstInputs, worst_inputs
from sim.foundations.files.text import counted

SIGNS = {-1: "-", 0: "0", 1: "+"}


class StateExample(NamedTuple):
    """One state: how far it can go at the most, and how far an input was found to take it."""

    found: WorstInputs
    word_end: int
    """Highest word of the state."""
    bound: float | None
    """In any order of seen and lost frames; None: none is known. [unit of the word]"""
    bound_seen: float | None
    """For a spot that is seen in each frame."""
    mismatch: int
    """Largest mismatch. [unit of positions]"""
    correction: int
    """Largest correction, at which both limits stand. [unit of the correction's word]"""

    @property
    def share(self) -> float:
        """Of its word that the example reaches."""
        return self.found.reached / self.word_end

    @property
    def words(self) -> str:
        """What the example does, in words."""
        f = self.found
        lost = int((~f.seen).sum())
        frames = f"{counted(len(f.seen), 'frame')}, {lost} of them lost"
        if f.period:
            frames += f', "{f.period}" repeated (1 seen, 0 lost)'
        return frames

    def plain(self) -> dict[str, Any]:
        """Return it as plain numbers and texts; inputs frame by frame, signs of their largest."""
        f = self.found
        return {
            "state": f.state,
            "axis": "xy"[f.axis],
            "leaves_its_word": f.leaves,
            "reached": f.reached,
            "word_end": self.word_end,
            "bound_any_order": self.bound,
            "bound_always_seen": self.bound_seen,
            "largest_mismatch": self.mismatch,
            "largest_correction": self.correction,
            "repeated_order": f.period or None,
            "seen": "".join("1" if each else "0" for each in f.seen),
            "mismatch": _signs(f.mismatch),
            "limits": _signs(f.limit),
        }


def _signs(words: Any) -> str:
    return "".join(SIGNS[int(sign)] for sign in np.sign(words))


def examples_of(controller: FixedController) -> tuple[StateExample, ...]:
    """Return an example for each state that goes on by itself, for the first mirror.

    Of both axes the one whose example leaves its word, or reaches more of it.
    """
    law = controller.law
    found = []
    for state in np.flatnonzero(~(law.conditional | law.previous)).tolist():
        cases = [
            worst_inputs(law, controller.largest, controller.bounds, state, axis=axis)
            for axis in (0, 1)
        ]
        best = max(cases, key=lambda case: (case.leaves, case.reached))
        any_order, seen = (float(bound[state]) for bound in controller.bounds)
        found.append(
            StateExample(
                best, law.formats.states[state].highest,
                any_order if np.isfinite(any_order) else None,
                seen if np.isfinite(seen) else None,
                int(controller.largest.mismatch), int(controller.largest.correction),
            )
        )  # fmt: skip
    return tuple(found)
