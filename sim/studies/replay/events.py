"""Events of base acceleration put into a scenario: which profile, axis, sense and level."""

import re
import tomllib
from collections.abc import Mapping
from typing import Any, Final, NamedTuple

from controllers.open_loop import OpenLoopParams
from sim.assembly.build import build
from sim.disturbances import DISTURBANCES
from sim.foundations.errors import ScenarioError, nearest
from sim.foundations.ports import Event
from sim.scenario.model import Scenario

LOOPS: Final = ("closed", "open", "dark")
"""The scenario's controller; no feedback; a camera that sees nothing from the start."""
AXES: Final = ("x", "y", "z")
SENSES: Final = ("+", "-")
AS_RECORDED: Final = "as recorded"
AFTER_MS: Final = 5.0
"""An event without a start begins so long after the hold interval does. [ms]"""


class EventProfile(NamedTuple):
    """A profile to be played as the event of a run."""

    name: str
    entries: tuple[dict[str, Any], ...]
    """Entries of `[[disturbances]]`, at level one."""

    @property
    def aims(self) -> bool:
        """Whether it can be played along any axis; a record has axes of its own."""
        return all(hasattr(_params(entry), "AIM") for entry in self.entries)


class ReplayCase(NamedTuple):
    """What one run plays, and with which loop."""

    profile: str
    axis: str
    sense: str
    level: float
    loop: str

    @property
    def along(self) -> str:
        """Axis and sense, as people write them."""
        return f"{self.sense}{self.axis}" if self.axis in AXES else f"{self.axis} ({self.sense})"

    @property
    def words(self) -> str:
        """In one line."""
        return f"{self.profile}, {self.along}, level {self.level:g}, {self.loop} loop"


def parse_profile(text: str) -> EventProfile:
    """Read "KIND:key=value,key=value", the values in TOML; single words need no quotes.

    Parameters
    ----------
    text : str
        Such as "shock:peak_g=5,duration_ms=11".

    Returns
    -------
    EventProfile
        Its name and its entry among a scenario's disturbances.

    Raises
    ------
    ScenarioError
        If it cannot be read, or there is no such kind of event.
    """
    kind, _, rest = text.partition(":")
    quoted = re.sub(r"=\s*(?!true\b|false\b)([A-Za-z_]\w*)\s*(?=,|$)", r'="\1"', rest)
    try:
        settings = tomllib.loads(f"p = {{{quoted}}}")["p"]
    except tomllib.TOMLDecodeError as exc:
        raise ScenarioError(
            f"--profile {text}: must be KIND:key=value,key=value, the values in TOML: {exc}"
        ) from exc
    entry = {"kind": kind.strip(), **settings}
    check_entry(entry, f"--profile {text}")
    words = ", ".join(f"{key} {_said(value)}" for key, value in settings.items())
    name = kind.strip().replace("_", " ")
    return EventProfile(f"{name} ({words})" if words else name, (entry,))


def _said(value: Any) -> str:
    return str(value).replace("_", " ") if isinstance(value, str) else f"{value}"


def check_entry(entry: Mapping[str, Any], where: str) -> None:
    """Refuse what is no event that has a level.

    Raises
    ------
    ScenarioError
        If so.
    """
    kind = str(entry.get("kind"))
    known = [name for name, cls in DISTURBANCES.items() if hasattr(cls.Params, "LEVEL")]
    if kind not in known and ":" not in kind:
        raise ScenarioError(
            f'{where}: "{kind}" is no profile.{nearest(kind, known)} Known: {", ".join(known)}.'
        )


def own_events(scenario: Scenario) -> EventProfile:
    """Return the events that a scenario holds itself.

    Raises
    ------
    ScenarioError
        If it has none.
    """
    entries = tuple(
        dict(tree)
        for tree, is_event in zip(scenario.disturbances, _are_events(scenario), strict=True)
        if is_event
    )
    if not entries:
        raise ScenarioError("the scenario plays no event; name one with --profile")
    for entry in entries:
        check_entry(entry, "the scenario's own event")
    kinds = " and ".join(str(entry["kind"]).replace("_", " ") for entry in entries)
    return EventProfile(f"the scenario's {kinds}", entries)


def _are_events(scenario: Scenario) -> list[bool]:
    made = build(scenario).parts.disturbances
    return [isinstance(getattr(each, "event", None), Event) for each in made]


def without_events(scenario: Scenario) -> Scenario:
    """Return a scenario without its own events; its other disturbances stay."""
    kept = [
        tree
        for tree, is_event in zip(scenario.disturbances, _are_events(scenario), strict=True)
        if not is_event
    ]
    return scenario.replace(disturbances=kept)


def with_event(
    scenario: Scenario, profile: EventProfile, axis: str, sense: str, level: float, loop: str
) -> Scenario:
    """Return a scenario that plays a profile beside its other disturbances.

    Parameters
    ----------
    scenario : Scenario
        From `without_events`.
    profile : EventProfile
        What plays.
    axis : str
        "x", "y" or "z"; `AS_RECORDED` leaves the profile's own direction.
    sense : {"+", "-"}
        "-" turns it round.
    level : float
        Factor on its acceleration.
    loop : {"closed", "open", "dark"}
        See `LOOPS`.

    Raises
    ------
    ScenarioError
        If the profile refuses its settings.
    """
    start_ms = scenario.metrics.hold_from_ms + AFTER_MS
    placed = [_placed(entry, axis, sense, level, start_ms) for entry in profile.entries]
    changes: dict[str, Any] = {"disturbances": [*placed, *scenario.disturbances]}
    if loop == "open":
        changes["controller"] = {"kind": OpenLoopParams().kind}
    elif loop == "dark":
        changes["camera"] = scenario.camera.model_dump(mode="json") | {"signal_e": 0.0}
    elif loop != "closed":
        raise ScenarioError(f'loop must be one of {", ".join(LOOPS)} (got "{loop}")')
    return scenario.replace(**changes)


def _params(entry: Mapping[str, Any]) -> Any:
    return DISTURBANCES.find(str(entry["kind"])).Params


def _placed(
    entry: Mapping[str, Any], axis: str, sense: str, level: float, start_ms: float
) -> dict[str, Any]:
    params = _params(entry)
    tree = dict(entry)
    fields = params.model_fields
    for key in ("start_ms", "start_at_ms"):
        if key in fields and key not in tree:
            tree[key] = start_ms
    aim = getattr(params, "AIM", None)
    factor = level
    if aim is not None and axis in AXES:
        tree[aim] = f"{sense}{axis}"
    elif aim is not None:
        tree[aim] = _turned(tree[aim]) if sense == "-" else tree[aim]
    else:
        factor = -level if sense == "-" else level
    value = tree.get(params.LEVEL, fields[params.LEVEL].default)
    tree[params.LEVEL] = value * factor
    return tree


def _turned(direction: Any) -> Any:
    if isinstance(direction, str):
        return direction[1:] if direction[0] == "-" else f"-{direction.lstrip('+')}"
    return [-value for value in direction]


def cases_of(
    profile: EventProfile, axes: tuple[str, ...], senses: tuple[str, ...],
    levels: tuple[float, ...], loops: tuple[str, ...],
) -> list[ReplayCase]:  # fmt: skip
    """Return every combination; a record is played along its own axes alone."""
    own = axes if profile.aims else (AS_RECORDED,)
    return [
        ReplayCase(profile.name, axis, sense, level, loop)
        for axis in own for sense in senses for level in levels for loop in loops
    ]  # fmt: skip
