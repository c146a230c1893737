"""What the health watch of a run found, as it is filed and said."""

import math
from collections.abc import Sequence
from typing import Any

from sim.foundations.ports import FAULT_WORDS, FaultKind
from sim.loop.simulate import LoopResult
from sim.results.metrics import mirror_name

ACTION_WORDS = {
    "report": "reported alone",
    "hold": "held with its correction from {at:g} ms",
    "re_aim": "aimed afresh at {at:g} ms",
    "re_route": "its connection moved to {spare} at {at:g} ms",
}


def alarm_rows(outcome: LoopResult, ports: int) -> list[dict[str, Any]]:
    """Return a row for each alarm: mirror, kind, when, and what was done about it.

    Parameters
    ----------
    outcome : LoopResult
        Of the run.
    ports : int
        Inputs of the switch.
    """
    parts, frame_ms = outcome.parts, 1e3 * outcome.parts.clock.frame_s

    def name(column: int) -> str:
        return mirror_name(int(parts.mirrors[column]), ports)

    return [
        {
            "mirror": name(alarm.mirror),
            "kind": FaultKind(alarm.kind).name.lower(),
            "at_ms": round(alarm.frame * frame_ms, 6),
            "gain": None if math.isnan(alarm.gain) else alarm.gain,
            "action": alarm.action,
            "acts_ms": round(alarm.acts_frame * frame_ms, 6),
            "done": alarm.acts_frame < parts.clock.n_frames,
            "spare": None if alarm.spare < 0 else name(alarm.spare),
        }
        for alarm in outcome.alarms
    ]


def alarm_words(row: dict[str, Any]) -> str:
    """Return an alarm in a sentence."""
    kind = FAULT_WORDS[FaultKind[row["kind"].upper()]]
    gain = "" if row["gain"] is None else f" (gain {row['gain']:.3g} of the believed one)"
    done = ACTION_WORDS[row["action"]].format(at=row["acts_ms"], spare=row["spare"])
    if not row["done"]:
        done = f"the run ended before {row['acts_ms']:g} ms, when the switch would have acted"
    return f"{row['mirror']} is {kind}{gain}, found at {row['at_ms']:g} ms; {done}."


def watch_texts(rows: Sequence[dict[str, Any]], most: int = 20) -> list[str]:
    """Return what the page says of the watch."""
    if not rows:
        return ["The health watch raised no alarm."]
    more = [f"And {len(rows) - most} more, see results.json."] if len(rows) > most else []
    return [*map(alarm_words, rows[:most]), *more]
