"""Whether a run contained what it is judged on: a pass means that something happened."""

from collections.abc import Sequence

from sim.foundations.ports import Event
from sim.results.hold import HoldInterval

SLACK_S = 1e-9


def not_exercised(
    events: Sequence[Event], moves_s: Sequence[float], hold: HoldInterval, run_s: float
) -> list[str]:
    """Return, in words, why limits on this run would not have been put to the test.

    Parameters
    ----------
    events : sequence of Event
        Shocks and records, as they were asked for.
    moves_s : sequence of float
        Switching commands. [s]
    hold : HoldInterval
        What pointing and loss are judged over.
    run_s : float
        Length of the run. [s]

    Returns
    -------
    list of str
        Empty if every event plays whole, with its peak inside the hold interval, and no command
        comes after the hold interval.
    """
    found = []
    for event in events:
        whole_s = event.to_s - event.from_s
        if event.from_s >= run_s - SLACK_S:
            found.append(
                f"{event.name} does not play: it starts at {event.from_s:g} s, "
                f"the run ends at {run_s:g} s"
            )
        elif event.to_s > run_s + SLACK_S:
            found.append(
                f"{event.name} plays in part: {run_s - event.from_s:.4g} of {whole_s:.4g} s, "
                f"then the run ends"
            )
        elif not hold.from_s - SLACK_S <= event.peak_s <= hold.to_s + SLACK_S:
            found.append(
                f"{event.name} has its peak at {event.peak_s:.4g} s, outside the hold interval of "
                f"{hold.from_s:g} to {hold.to_s:g} s"
            )
    for at_s in moves_s:
        if at_s >= hold.to_s - SLACK_S:
            found.append(
                f"the move at {1e3 * at_s:g} ms comes after the hold interval, which ends at "
                f"{hold.to_ms:g} ms"
            )
    return found
