"""What of a life is worth a mark in its picture."""

from collections.abc import Sequence
from typing import Final

from sim.life.params import EpisodeParams
from sim.studies.life.schedule import LifeEvent, What
from sim.studies.life.state import State

AIMED: Final = "all beams are aimed anew"
MEASURED: Final = "the gain is measured anew"
REPLACED: Final = "a dim lamp is replaced"


def event_words(
    event: LifeEvent, before: State, after: State, episodes: Sequence[EpisodeParams]
) -> list[str]:
    """Return the words of what an event did.

    Parameters
    ----------
    event : LifeEvent
        The event.
    before, after : State
        The switch on either side of it.
    episodes : sequence of EpisodeParams
        Those of the scenario.
    """
    if event.what is What.EPISODE:
        return [episodes[event.number].name]
    if event.what in (What.BOARD_DOWN, What.LAMP_DOWN):
        return [event.what.value]
    words = []
    if after.peakings > before.peakings:
        words.append(AIMED)
    if event.what in (What.RECALIBRATE, What.INSPECT):
        if after.calibration is not before.calibration:
            words.append(MEASURED)
        if after.lamp_h < before.lamp_h:
            words.append(REPLACED)
    return words
