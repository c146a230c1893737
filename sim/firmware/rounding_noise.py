"""What the roundings inside a fixed-point law add to its correction: as noise, and at the most."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.firmware.fixed_law import FixedLaw
from sim.firmware.law_words import rounded_law
from sim.firmware.rounding import Rounding
from sim.foundations.ports import Array
from sim.foundations.ports.linear_law import LinearLaw


class RoundingPaths(NamedTuple):
    """x[k+1] = A x[k] + B r[k], correction C x[k] + D r[k], for the errors r of one axis."""

    A: Array
    """(1 or M, n, n)"""
    B: Array
    """(1 or M, n, i) from each place that rounds."""
    C: Array
    """(1 or M, n)"""
    D: Array
    """(1 or M, i)"""


def variance_units(rounding: Rounding) -> float:
    """Return the variance of one rounding. [squared units]

    A twelfth, for errors evenly spread over a unit; to zero they are spread over two, with the sign
    of what is rounded.
    """
    return 1 / 3 if rounding is Rounding.ZERO else 1 / 12


def largest_units(rounding: Rounding) -> float:
    """Return the largest error of one rounding. [units]"""
    return 1.0 if rounding in (Rounding.FLOOR, Rounding.ZERO) else 0.5


def units_px(law: FixedLaw, rounds_positions: bool) -> Array:
    """Return the unit (i,) of each place that rounds, 0 where nothing is lost. [px]

    Places: the position as it comes in, what enters the sections, each section's output, each
    state, the correction. A row whose coefficients are all whole multiples of its shift is exact.
    """
    f = law.formats
    enters = f.value.step if f.value.fraction < f.position.fraction else 0.0
    found = [f.position.step if rounds_positions else 0.0, enters]
    found += [f.value.step] * len(law.sections)
    steps = [*(s.step for s in f.states), f.correction.step]
    for i, step in enumerate(steps):
        unit = np.int64(1) << law.shifts[0][i]
        exact = bool((law.rows[0][..., i, :] % unit == 0).all())
        found.append(0.0 if exact else step)
    return np.array(found)


def rounding_paths(law: LinearLaw, axis: int) -> RoundingPaths:
    """Return the way of errors through a law inside its limits, for mirrors that are seen."""
    s, n = len(law.sections), len(law.conditional)
    m = max(law.sections.shape[1] if s else 1, *(part.shape[0] for part in law.seen))
    size, places = 2 * s + n + 1, 3 + s + n
    width = size + places
    unit = np.eye(width)
    after = np.zeros((m, size, width))
    # Signals are rows over (memories, states, last correction, errors of each place).
    value = np.broadcast_to(unit[size] + unit[size + 1], (m, width))
    for i, section in enumerate(law.sections[:, :, axis]):
        b0, b1, b2, a1, a2 = section.T[..., None]
        out = b0 * value + unit[2 * i] + unit[size + 2 + i]
        after[:, 2 * i] = b1 * value - a1 * out + unit[2 * i + 1]
        after[:, 2 * i + 1] = b2 * value - a2 * out
        value = out
    own = {name: part[:, axis] for name, part in law.seen._asdict().items()}
    x = own["A"] @ unit[2 * s : 2 * s + n] + own["B"][..., None] * value[:, None]
    x = x + own["G"][..., None] * unit[size - 1] + unit[size + 2 + s : size + 2 + s + n]
    after[:, 2 * s : 2 * s + n] = x
    wanted = own["D"][:, None] * value + own["H"][:, None] * unit[size - 1] + unit[-1]
    after[:, size - 1] = wanted + ((own["C"][:, None] @ x)[:, 0] if n else 0.0)
    correction = after[:, size - 1]
    return RoundingPaths(
        after[..., :size], after[..., size:], correction[:, :size], correction[:, size:]
    )


def rounding_density(
    law: FixedLaw, frequency_hz: Array, frame_s: float, *, rounds_positions: bool
) -> Array:
    """Return the one-sided density (F, 1 or M, 2) of rounding at the correction, loop open.

    Parameters
    ----------
    law : FixedLaw
        In whole numbers.
    frequency_hz : (F,) ndarray
        Above zero, up to half the frame rate. [Hz]
    frame_s : float
        [s]
    rounds_positions : bool
        Whether positions are rounded where they come in; an estimator in whole numbers gives words.

    Returns
    -------
    (F, 1 or M, 2) ndarray
        [px^2/Hz]

    Notes
    -----
    Each rounding is taken as white noise, independent of all else: right while the signal moves by
    about a unit from frame to frame. Below that words stand still or go in cycles, which no density
    shows.
    """
    exact = rounded_law(law)
    weight = 2.0 * frame_s * variance_units(law.rounding) * units_px(law, rounds_positions) ** 2
    z = np.exp(2j * np.pi * frequency_hz * frame_s)[:, None, None, None]
    found = []
    for axis in (0, 1):
        p = rounding_paths(exact, axis)
        inside = np.linalg.solve(z * np.eye(p.A.shape[-1]) - p.A, p.B + 0 * z)
        gain = (p.C[:, None] @ inside)[..., 0, :] + p.D
        found.append((np.abs(gain) ** 2 * weight).sum(axis=-1))
    return np.stack(found, axis=-1)


def rounding_bound_px(law: FixedLaw, frames: int, *, rounds_positions: bool) -> NDArray[np.float64]:
    """Return how far (1 or M, 2) roundings of so many frames can move the correction. [px]

    The sum of the magnitudes of impulse responses, times the largest error of each rounding: no
    input whatever does more.
    """
    exact = rounded_law(law)
    largest = largest_units(law.rounding) * units_px(law, rounds_positions)
    # A position is rounded to the nearest where it comes in, and so is the reference.
    largest[0] = units_px(law, rounds_positions)[0]
    found = []
    for axis in (0, 1):
        p = rounding_paths(exact, axis)
        total = np.abs(p.D)
        power = p.B
        for _ in range(frames):
            total = total + np.abs((p.C[:, None] @ power)[:, 0])
            power = p.A @ power
        found.append(total @ largest)
    return np.asarray(np.stack(found, axis=-1))
