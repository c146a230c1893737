"""From a section of a scenario to its part: shipped, from outside, or left alone."""

from collections.abc import Mapping
from typing import Any, Final, NamedTuple

from controllers import CONTROLLERS, SHAPERS
from sim.disturbances import DISTURBANCES
from sim.estimators import ESTIMATORS
from sim.events import EVENTS
from sim.firmware.folder import read_folder
from sim.firmware.native import NativePart
from sim.firmware.settings import ControllerArithmetic, EstimatorArithmetic
from sim.foundations.errors import PlugInError, ScenarioError
from sim.foundations.kinds.outside import Outside, in_one_line
from sim.foundations.kinds.registry import Registry
from sim.foundations.params import Block
from sim.foundations.ports import EventSite, PlantBelief, Site
from sim.health import WATCHES
from sim.scenario.check import check_block
from sim.scenario.model import Scenario

FAMILIES: Final[Mapping[str, Registry[Any]]] = {
    "estimator": ESTIMATORS,
    "controller": CONTROLLERS,
    "shaping": SHAPERS,
    "disturbances": DISTURBANCES,
    "events": EVENTS,
    "health.watch": WATCHES,
}
"""Sections of a scenario that name a part by its kind -> its family."""
ARITHMETIC: Final[dict[str, type[Block]]] = {
    "controller": ControllerArithmetic,
    "estimator": EstimatorArithmetic,
}
"""Sections of a scenario whose part may compute in whole numbers -> how."""


class PlugIn(NamedTuple):
    """A part that a scenario names, with its settings checked."""

    key: str
    """Where the scenario names it."""
    part: Any
    """The class, or the `EstimatorKind`; None if it is from outside and was left alone."""
    settings: Block | None
    written: dict[str, Any]
    """`kind` and settings, defaults filled in; as the user wrote them if it was left alone."""
    outside: Outside | None
    """Where its code is, if it is not a shipped part."""
    arithmetic: Block | None = None
    """How it computes, if not in floating point."""

    def with_settings(self, tree: Mapping[str, Any]) -> "PlugIn":
        """Return the same part with other settings, checked.

        Raises
        ------
        ScenarioError
            If it refuses them.
        """
        arithmetic, tree = _arithmetic(self.key, tree)
        if arithmetic is not None and isinstance(self.part, NativePart):
            raise ScenarioError(
                f"{self.key}.arithmetic: firmware in C has its own, in its headers; leave it out"
            )
        settings = _settings(self.part.Params, tree, self.key, self.outside)
        written = {"kind": tree["kind"]} | settings.model_dump(mode="json", exclude_none=True)
        if arithmetic is not None:
            written["arithmetic"] = arithmetic.model_dump(mode="json", exclude_none=True)
        return self._replace(settings=settings, written=written, arithmetic=arithmetic)


def plug_in(
    registry: Registry[Any], tree: Mapping[str, Any], key: str, *, load: bool = True
) -> PlugIn:
    """Find a part by its `kind` and check its settings.

    Parameters
    ----------
    registry : Registry
        The family.
    tree : mapping
        `kind`, then the settings.
    key : str
        Its place in the scenario, for messages.
    load : bool
        Whether code from outside may be run; without it such a part is only looked for.

    Returns
    -------
    PlugIn

    Raises
    ------
    ScenarioError
        If there is no such part, or it refuses its settings.
    """
    if "kind" not in tree:
        raise ScenarioError(f"{key}.kind: required, but missing. Known: {', '.join(registry)}.")
    kind = str(tree["kind"])
    try:
        outside = registry.outside(kind)
        firmware = None if outside is None else _firmware(key, outside)
        if outside is not None and not load:
            return PlugIn(key, None, None, dict(tree), outside)
        part = registry.find(kind) if firmware is None else firmware
    except ScenarioError as exc:
        raise type(exc)(f"{key}.kind: {exc}") from exc
    return PlugIn(key, part, None, {}, outside).with_settings(tree)


def _firmware(key: str, outside: Outside) -> NativePart | None:
    """Return the firmware in C that a scenario names, or None; runs none of it.

    Raises
    ------
    PlugInError
        If its folder is none of firmware, or it cannot stand there.
    """
    if outside.folder is None:
        return None
    if key not in ARITHMETIC:
        raise PlugInError(
            f'"{outside.kind}": firmware in C has an estimator and a controller, no {key}'
        )
    return NativePart(read_folder(outside.folder))


def made(plug_in: PlugIn, world: PlantBelief | Site | EventSite) -> Any:
    """Construct a plug-in; what it refuses is the scenario's fault, so name the key.

    Raises
    ------
    ScenarioError
        If it refuses; from outside, whatever it raises.
    """
    key, outside = plug_in.key, plug_in.outside
    try:
        return plug_in.part(plug_in.settings, world)
    except ScenarioError as exc:
        raise type(exc)(f"{key}: {exc}") from exc
    except ValueError as exc:
        raise ScenarioError(f"{key}: {exc}") from exc
    except (Exception, SystemExit) as exc:
        if outside is None:
            raise
        raise PlugInError(
            f'{key}: "{outside.kind}" failed when it was made: {in_one_line(exc)}'
        ) from exc


def _arithmetic(key: str, tree: Mapping[str, Any]) -> tuple[Block | None, Mapping[str, Any]]:
    """Return how a part is to compute, checked, and its other settings."""
    if key not in ARITHMETIC or "arithmetic" not in tree:
        return None, tree
    others = {name: value for name, value in tree.items() if name != "arithmetic"}
    asked = tree["arithmetic"]
    if not isinstance(asked, Mapping):
        raise ScenarioError(f'{key}.arithmetic: must be a table such as {{ kind = "fixed" }}')
    return check_block(ARITHMETIC[key], dict(asked), "", key=f"{key}.arithmetic"), others


def _settings(
    params: type[Block], tree: Mapping[str, Any], key: str, outside: Outside | None
) -> Block:
    """Check the settings; a block from outside need not have a field for the `kind`."""
    if outside is None:
        return check_block(params, tree, "", key=key)
    if "kind" not in params.model_fields:
        tree = {name: value for name, value in tree.items() if name != "kind"}
    try:
        return check_block(params, tree, "", key=key)
    except ScenarioError:
        raise
    except (Exception, SystemExit) as exc:
        raise PlugInError(
            f'{key}: "{outside.kind}" failed when its settings were checked: {in_one_line(exc)}'
        ) from exc


def outside_of(scenario: Scenario) -> tuple[Outside, ...]:
    """Return where the code is that a scenario names and that is not shipped; runs none of it."""
    named: list[tuple[Registry[Any], Mapping[str, Any]]] = [
        (ESTIMATORS, scenario.estimator),
        (CONTROLLERS, scenario.controller),
        (SHAPERS, scenario.shaping),
        *([] if scenario.health is None else [(WATCHES, scenario.health.watch)]),
        *((DISTURBANCES, tree) for tree in scenario.disturbances),
        *((EVENTS, tree) for tree in scenario.events),
    ]
    found = (registry.outside(str(tree.get("kind"))) for registry, tree in named)
    return tuple(dict.fromkeys(part for part in found if part is not None))
