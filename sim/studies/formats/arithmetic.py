"""The whole numbers that a study of formats starts from: the scenario's own, or proposed ones."""

from collections.abc import Mapping
from typing import Any, Final, NamedTuple

from controllers import CONTROLLERS
from sim.assembly.build import build
from sim.estimators import ESTIMATORS
from sim.firmware.spots.estimator import FIXED_FORMS, FixedForm
from sim.foundations.errors import ScenarioError
from sim.scenario.model import Scenario

PROPOSED: Final[Mapping[str, Any]] = {"kind": "fixed"}
SECTIONS: Final = ("estimator", "controller")


class StartingWords(NamedTuple):
    """What the words are varied about."""

    scenario: Scenario
    """With fixed arithmetic wherever there is a form of it."""
    plain: Scenario
    """The same in floating point."""
    fixed: tuple[str, ...]
    """Sections in whole numbers."""
    left_out: tuple[str, ...]
    """Why others are not, in words."""
    given: bool
    """Whether the scenario itself states all words."""
    tables: bool
    """Whether the estimator looks weights or profiles up in tables."""


def words_and_floats(scenario: Scenario) -> StartingWords:
    """Return a scenario in whole numbers, and in floating point.

    Raises
    ------
    ScenarioError
        If it cannot be built, or neither part can compute in whole numbers.
    """
    plain = scenario.replace(
        **{key: _without(getattr(scenario, key)) for key in SECTIONS}
    )
    build(plain)  # what it refuses is not the words' fault
    found, fixed, left_out = plain, [], []
    for key in SECTIONS:
        tree = getattr(scenario, key)
        asked = {**tree, "arithmetic": dict(tree.get("arithmetic", PROPOSED))}
        if "arithmetic" not in tree and not _has_form(key, str(tree["kind"])):
            left_out.append(f"{key} \"{tree['kind']}\" has no form in whole numbers")
            continue
        tried = found.replace(**{key: asked})
        if "arithmetic" not in tree:
            try:
                build(tried)
            except ScenarioError as exc:
                left_out.append(str(exc))
                continue
        found = tried
        fixed.append(key)
    if not fixed:
        raise ScenarioError(f"no part can compute in whole numbers: {'; '.join(left_out)}")
    given = all("arithmetic" in getattr(scenario, key) for key in fixed)
    tables = "estimator" in fixed and _form(str(found.estimator["kind"])).tables
    return StartingWords(found, plain, tuple(fixed), tuple(left_out), given, tables)


def _without(tree: Mapping[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in tree.items() if name != "arithmetic"}


def _form(kind: str) -> FixedForm:
    return FIXED_FORMS[ESTIMATORS.find(kind).function]


def _has_form(key: str, kind: str) -> bool:
    """Whether a part may have one; of a controller only its construction tells."""
    if key == "controller":
        return kind in CONTROLLERS
    return kind in ESTIMATORS and ESTIMATORS[kind].function in FIXED_FORMS
