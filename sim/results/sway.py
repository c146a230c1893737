"""How far the core moved on its mounts, against its clearance."""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from sim.foundations.ports import Array

AXES = ("x", "y", "z")


def strikes(sway: Mapping[str, Any]) -> tuple[str, ...]:
    """Return, in words, where the core struck its frame: no run with it passes."""
    return tuple(
        f"the core strikes its frame along {axis}: its sway reaches {sway[f'{axis}_mm']:.3f} of "
        f"{sway['clearance_mm'][AXES.index(axis)]:g} mm clearance; the impact is that of the "
        "stops as stated"
        for axis in sway["over_clearance"]
    )


def sway_figures(
    sway_m: Array | None, clearance_mm: Sequence[float] | None
) -> dict[str, Any]:
    """Return the figures of the sway; all None without an isolator.

    Parameters
    ----------
    sway_m : (3,) ndarray, optional
        Largest sway of the run, (x, y, z). [m]
    clearance_mm : sequence of float, optional
        Clearance of the mounts, (x, y, z). [mm]

    Returns
    -------
    dict
        ``x_mm``, ``y_mm``, ``z_mm``, ``max_mm``, ``clearance_mm`` (x, y, z), ``clearance_pct``
        (largest share, 100 at contact) and ``over_clearance`` (the axes that reach it: there the
        core strikes its stops).
    """
    if sway_m is None or clearance_mm is None:
        none = ("x_mm", "y_mm", "z_mm", "max_mm", "clearance_mm", "clearance_pct")
        return {**dict.fromkeys(none), "over_clearance": []}
    sway_mm = 1e3 * np.abs(np.asarray(sway_m, dtype=float))
    share = sway_mm / np.asarray(clearance_mm, dtype=float)
    return {
        **{f"{axis}_mm": float(value) for axis, value in zip(AXES, sway_mm, strict=True)},
        "max_mm": float(sway_mm.max()),
        "clearance_mm": [float(value) for value in clearance_mm],
        "clearance_pct": float(100.0 * share.max()),
        "over_clearance": [axis for axis, s in zip(AXES, share, strict=True) if s >= 1.0],
    }
