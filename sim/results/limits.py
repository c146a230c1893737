"""The limits a run is held against, and whether it met them."""

from collections.abc import Mapping
from typing import Annotated, Any, Final

from pydantic import Field

from sim.params import Block, NonNegative

WholeNumber = Annotated[int, Field(ge=0)]


class LimitsParams(Block):
    """The largest values that pass; a limit left out is not asked for."""

    settling_max_ms: NonNegative | None = None
    """Slowest settling of any moved mirror; missed if one never settles. [ms]"""
    unsettled_max: WholeNumber | None = None
    """Moved mirrors that never settle, summed over commands. [-]"""
    rms_urad: NonNegative | None = None
    """Radial rms pointing error over the hold interval. [urad]"""
    p99_urad: NonNegative | None = None
    """99th percentile of the radial pointing error over the hold interval. [urad]"""
    max_urad: NonNegative | None = None
    """Largest radial pointing error over the hold interval. [urad]"""
    coupling_p99_db: NonNegative | None = None
    """99th percentile of the total loss over the hold interval. [dB]"""
    coupling_max_db: NonNegative | None = None
    """Largest total loss over the hold interval. [dB]"""
    excess_max_db: NonNegative | None = None
    """Largest loss over the aligned loss in the hold interval. [dB]"""
    outage_ms: NonNegative | None = None
    """Longest total outage of any one connection in the hold interval. [ms]"""
    time_to_light_max_ms: NonNegative | None = None
    """Slowest time to light of any moved connection; missed if one stays dark. [ms]"""
    lost_frames_max: WholeNumber | None = None
    """Frames with a lost spot, summed over mirrors, in the whole run. [-]"""


FIGURE_OF: Final[dict[str, tuple[str, str]]] = {
    "settling_max_ms": ("settling", "max_ms"),
    "unsettled_max": ("settling", "unsettled"),
    "rms_urad": ("pointing", "rms_urad"),
    "p99_urad": ("pointing", "p99_urad"),
    "max_urad": ("pointing", "max_urad"),
    "coupling_p99_db": ("coupling", "p99_db"),
    "coupling_max_db": ("coupling", "max_db"),
    "excess_max_db": ("coupling", "excess_max_db"),
    "outage_ms": ("coupling", "outage_ms"),
    "time_to_light_max_ms": ("time_to_light", "max_ms"),
    "lost_frames_max": ("lost", "frames"),
}
"""Where `sim.results.metrics.evaluate` puts the figure that each limit is about."""


def check_limits(figures: Mapping[str, Any], limits: LimitsParams) -> list[dict[str, Any]]:
    """Hold figures against the limits that were asked for.

    A figure that equals its limit meets it. A figure that does not exist does not: a mirror that
    never settled, or a limit on switching in a run without commands, has not been shown to pass.

    Parameters
    ----------
    figures : mapping
        What `sim.results.metrics.evaluate` returns.
    limits : LimitsParams
        The limits.

    Returns
    -------
    list of dict
        ``name``, ``limit``, ``value`` (None if there is none) and ``met`` of each limit asked for.
    """
    rows = []
    for name, (group, key) in FIGURE_OF.items():
        limit = getattr(limits, name)
        if limit is None:
            continue
        value = figures[group][key]
        met = value is not None and bool(value <= limit)
        rows.append({"name": name, "limit": limit, "value": value, "met": met})
    return rows
