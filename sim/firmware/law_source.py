"""A fixed-point law as the numbers of its C source."""

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sim.firmware.fixed_law import FixedLaw
from sim.foundations.files.text import counted

LAW_FILES = ("law.h", "law.c", "whole.h")
WORD_BITS = 32
"""Words of states, coefficients and corrections in the C source."""


def law_numbers(law: FixedLaw, kind: str) -> dict[str, Any]:
    """Return what the templates need of a law.

    Raises
    ------
    ValueError
        If a word of it does not fit 32 bits, or a state is not fit to be cut off at the limits.
    """
    f = law.formats
    longest = max(w.bits for w in (f.position, f.value, f.correction, *f.states))
    if longest > WORD_BITS:
        raise ValueError(f"a word of the law takes {longest} bits, and the C has {WORD_BITS}")
    finer = [state.fraction - f.correction.fraction for state in f.states]
    for bits, conditional in zip(finer, law.conditional, strict=True):
        if conditional and f.correction.bits + bits > WORD_BITS:
            raise ValueError(
                f"a state that is cut off at the limits is {counted(bits, 'bit')} finer than the "
                f"correction of {counted(f.correction.bits, 'bit')}, which takes more than "
                f"{WORD_BITS}"
            )
    n, s = len(f.states), len(law.sections)
    none = np.zeros(1, np.int64)
    sections = law.sections if s else np.zeros((1, 1, 2, 5), np.int64)
    standing = law.standing if n else np.zeros((1, 2, 1), np.int64)
    return {
        "kind": kind,
        "rounding": str(law.rounding).upper(),
        "states": n,
        "sections": s,
        "sets": law.rows.shape[1],
        "section_sets": sections.shape[1],
        "standing_sets": len(standing),
        "section_shift": law.section_shift,
        "position": f.position,
        "value": f.value,
        "correction": f.correction,
        "rows": braces(law.rows),
        "shifts": braces(law.shifts),
        "coefficients": braces(sections),
        "state_bits": braces(np.array([state.bits for state in f.states]) if n else none),
        "finer_bits": braces(np.array(finer) if n else none),
        "conditional": braces(law.conditional.astype(int) if n else none),
        "previous": braces(law.previous.astype(int) if n else none),
        "standing": braces(standing),
        "standing_shifts": braces(law.standing_shifts if n else none),
    }


def law_costs(law: FixedLaw) -> dict[str, int]:
    """Return what a law takes on a processor of 32 bits: products, and bytes."""
    n, s = len(law.formats.states), len(law.sections)
    axis = 16 * max(s, 1) + 4 * max(n, 1) + 12
    rows = law.rows.size + max(law.sections.size, 10) + max(law.standing.size, 2)
    return {
        "products": 2 * ((n + 1) * (n + 2) + 5 * s),
        "state_bytes": 2 * (axis + axis % 8),
        "table_bytes": 4 * rows + 2 * (n + 1) + 5 * max(n, 1),
    }


def braces(
    numbers: NDArray[Any], indent: int = 0, *, text: Callable[[Any], str] = lambda n: str(int(n))
) -> str:
    """Return numbers as a C initialiser, innermost rows on a line; `text` gives a number's own."""
    if numbers.ndim == 1:
        return f"{{ {', '.join(text(number) for number in numbers)} }}"
    inner = [braces(part, indent + 4, text=text) for part in numbers]
    pad = " " * (indent + 4)
    return "{\n" + "".join(f"{pad}{part},\n" for part in inner) + " " * indent + "}"
