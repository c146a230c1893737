"""Whether loops diverged in a run: corrections that swing ever further, or between the limits."""

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.foundations.files.text import counted
from sim.foundations.ports import Array
from sim.results.metrics import mirror_name
from sim.results.traces import Traces

SHARE: Final = 0.2
"""Of the limit: swings below it are no divergence, whatever they do. [-]"""
GROWING: Final = 4
"""Swings in a row of which each is larger than the one before."""
GROWTH: Final = 2.0
"""By how much the last of them must exceed the first. [-]"""
SUSTAINED: Final = 8
"""Swings in a row that all are beyond `SHARE` of the limit."""


class Diverged(NamedTuple):
    """Mirrors whose loop diverged."""

    columns: NDArray[np.int64]
    """(D,) places in the fleet."""
    from_s: Array
    """(D,) when the swings had reached `SHARE` of the limit. [s]"""
    swing_rad: Array
    """(D,) largest swing of the correction. [rad]"""


def diverged(
    traces: Traces, limit_rad: Array, judged: NDArray[np.bool_] | None = None
) -> Diverged:
    """Return the mirrors whose corrections swing against their limits.

    A swing goes from one turning point of the correction to the next. A loop diverges if
    `GROWING` swings in a row grow, `GROWTH`-fold in all, up to `SHARE` of the limit, or if
    `SUSTAINED` swings in a row are beyond that share: then limits alone hold it.

    Parameters
    ----------
    traces : Traces
        Of the run.
    limit_rad : (M, 2) ndarray
        How far a mirror can be corrected: by its drive, and before the camera loses its spot.
        [rad]
    judged : (M,) ndarray of bool, optional
        Mirrors that are looked at; all if left out. A loop whose mirror an event takes out of its
        hands winds up to its limits without being unstable.
    """
    correction = traces.correction_rad
    if not len(correction):
        return Diverged(np.zeros(0, np.int64), np.zeros(0), np.zeros(0))
    spread = correction.max(axis=0).astype(float) - correction.min(axis=0)
    columns, times, swings = [], [], []
    wide = (spread > SHARE * limit_rad).any(axis=1)
    for m in np.flatnonzero(wide if judged is None else wide & judged):
        found = [
            at
            for a in (0, 1)
            if (at := _from(correction[:, m, a].astype(float), SHARE * limit_rad[m, a])) is not None
        ]
        if found:
            columns.append(int(m))
            times.append(float(traces.time_s[min(found)]))
            swings.append(float(spread[m].max()))
    return Diverged(np.array(columns, np.int64), np.array(times), np.array(swings))


def diverging_words(found: Diverged, traces: Traces, ports: int) -> tuple[str, ...]:
    """Return what is to be said of it; empty if all loops hold."""
    if not len(found.columns):
        return ()
    first = int(found.from_s.argmin())
    name = mirror_name(int(traces.mirrors[found.columns[first]]), ports)
    count, total = len(found.columns), len(traces.mirrors)
    return (
        f"the loops of {count} of {counted(total, 'mirror')} diverge, first {name} at "
        f"{1e3 * found.from_s[first]:.4g} ms; corrections swing by up to "
        f"{1e3 * found.swing_rad.max():.3g} mrad",
    )


def _from(correction: Array, least: float) -> int | None:
    """Return the sample from which a correction (T,) diverges; None if it does not."""
    moved = np.flatnonzero(np.diff(correction, prepend=np.nan) != 0)
    x = correction[moved]
    if len(x) < GROWING + 2:
        return None
    turns = np.flatnonzero(np.diff(np.sign(np.diff(x))) != 0) + 1
    points = np.concatenate([[0], turns, [len(x) - 1]])
    swing = np.abs(np.diff(x[points]))
    large = swing > least
    grows = swing[1:] > swing[:-1]

    def begins(i: int) -> int:
        return int(moved[points[i] + 1] - 1)  # where it was held before, its last sample

    for i in np.flatnonzero(large):
        from_i = i - GROWING + 1
        if from_i >= 0 and grows[from_i:i].all() and swing[i] > GROWTH * swing[from_i]:
            return begins(int(i))
        if i + SUSTAINED <= len(swing) and large[i : i + SUSTAINED].all():
            return begins(int(i))
    return None
