"""Events of the scenario, marked in every picture over time."""

from collections.abc import Sequence
from typing import NamedTuple, Self

from matplotlib.axes import Axes

from sim.report.drawing import INK, ORANGE

MOST_NUMBERED = 12
"""Events whose numbers are written over a picture; more would cover each other."""


class EventSpan(NamedTuple):
    """From when to when an event of the scenario lasts, and its number on the page."""

    number: int
    from_s: float
    to_s: float

    def since(self, start_s: float) -> Self:
        """Return it on a clock that starts later."""
        return self._replace(from_s=self.from_s - start_s, to_s=self.to_s - start_s)


def mark_events(axes: Axes, events: Sequence[EventSpan], scale: float) -> None:
    """Mark when events last, with their numbers along the top."""
    label = "event"
    for event in events:
        axes.axvspan(event.from_s * scale, event.to_s * scale, color=ORANGE, alpha=0.14, lw=0,
                     zorder=0.5, label=label)  # fmt: skip
        axes.axvline(event.from_s * scale, color=ORANGE, lw=0.8, ls=(0, (3, 2)))
        label = "_nolegend_"
        if len(events) <= MOST_NUMBERED:
            axes.annotate(
                str(event.number), (event.from_s * scale, 1.0), (3, -3),
                xycoords=axes.get_xaxis_transform(), textcoords="offset points", ha="left",
                va="top", fontsize=8, color=INK, annotation_clip=True, in_layout=False,
            )  # fmt: skip


def marks_caption(events: Sequence[EventSpan]) -> str:
    """Return what a caption says of the marks, where the picture has no key."""
    return " Shaded, with their numbers: the events." if events else ""
