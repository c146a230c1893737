"""A campaign as it is written (TOML), and the list of its cases."""

import itertools
import json
import tomllib
from pathlib import Path
from typing import Annotated, Any, Final, NamedTuple

from pydantic import Field

from sim.foundations.errors import ScenarioError
from sim.foundations.files.reading import read_text
from sim.foundations.params import Block, Positive
from sim.results.table import LIMITED
from sim.scenario.check import check_block
from sim.scenario.file import named_files
from sim.scenario.gallery import find
from sim.scenario.model import Scenario, load_scenario
from sim.studies.replay.events import (
    AS_RECORDED,
    AXES,
    LOOPS,
    SENSES,
    EventProfile,
    check_entry,
    with_event,
    without_events,
)

MOST_CASES: Final = 2000
Names = Annotated[tuple[str, ...], Field(min_length=1)]
Numbers = Annotated[tuple[float, ...], Field(min_length=1)]


class CasesParams(Block):
    """Cases of one profile: every combination of what is listed."""

    profile: str
    """Name of one of the campaign's profiles. [-]"""
    axes: Names = ("x",)
    """Of x, y and z; a record keeps its own. [-]"""
    senses: Names = ("+",)
    """Of + and -. [-]"""
    levels: Numbers = (1.0,)
    """Factors on the profile's acceleration. [-]"""
    loops: Names = ("closed",)
    """Of closed (the scenario's controller), open and dark. [-]"""
    temperatures_k: Numbers = (0.0,)
    """Temperatures of the air over that at which everything was aligned; others than 0 need
    `[thermal]`. [K]"""
    set: tuple[str, ...] = ()
    """Values of the scenario for these cases, "key.key=value". [-]"""


class MarginsParams(Block):
    """How the margin of each case is sought."""

    seeds: Annotated[int, Field(ge=1, le=1000)] = 1
    """Noise seeds at each level. [-]"""
    top: Annotated[float, Field(gt=1.0, le=1e6)] = 8.0
    """Highest level tried, times the case's. [-]"""
    within_pct: Annotated[float, Field(ge=0.1, le=100.0)] = 20.0
    """Share to which it is found. [%]"""


class CampaignParams(Block):
    """A campaign."""

    title: str
    """One line. [-]"""
    question: str = ""
    """What it is to decide, and where its levels come from. [-]"""
    scenario: str
    """A file beside this one, or the name of a shipped case. [-]"""
    set: tuple[str, ...] = ()
    """Values of the scenario for all cases. [-]"""
    seeds: Annotated[int, Field(ge=1, le=1000)] = 1
    """Noise seeds that each case is run with. [-]"""
    profiles: Annotated[dict[str, dict[str, Any]], Field(min_length=1)]
    """Name -> an entry of `[[disturbances]]`. [-]"""
    cases: Annotated[tuple[CasesParams, ...], Field(min_length=1)]
    """What is played. [-]"""
    limits: dict[str, Positive | int] = {}
    """In place of the scenario's. [-]"""
    thermal: dict[str, Any] | None = None
    """A disturbance of temperature, without its `ambient`. [-]"""
    margins: MarginsParams | None = None
    """How margins are sought; none are if left out. [-]"""


class CampaignCase(NamedTuple):
    """One row of the matrix."""

    profile: str
    axis: str
    sense: str
    level: float
    temperature_k: float
    loop: str

    @property
    def words(self) -> str:
        """In one line."""
        warm = f", {self.temperature_k:+g} K" if self.temperature_k else ""
        along = f"{self.sense}{self.axis}" if self.axis in AXES else f"{self.axis} ({self.sense})"
        return f"{self.profile} {along}, level {self.level:g}, {self.loop}{warm}"


class CampaignPlan(NamedTuple):
    """Every run of a campaign: case by case, and for each case seed by seed."""

    params: CampaignParams
    path: Path
    base: Scenario
    """Without events."""
    cases: tuple[CampaignCase, ...]
    scenarios: tuple[str, ...]
    """For each case, what its job needs, as JSON."""

    @property
    def n_runs(self) -> int:
        """Cases times seeds."""
        return len(self.cases) * self.params.seeds

    def of_run(self, run: int) -> tuple[int, int]:
        """Return the case of a run, and the number of its seed."""
        return divmod(run, self.params.seeds)


def load_campaign(path: str | Path) -> CampaignPlan:
    """Read a campaign and check every case.

    Raises
    ------
    ScenarioError
        With file, key, rule and value.
    """
    path = Path(path)
    text = read_text(path, fault=ScenarioError)
    try:
        tree = tomllib.loads(text)
    except tomllib.TOMLDecodeError as exc:
        raise ScenarioError(f"{path}: is not valid TOML: {exc}") from exc
    params = check_block(CampaignParams, tree, str(path))
    folder = path.resolve().parent
    profiles = _profiles(params, path, folder)
    for name in params.limits:
        if name not in LIMITED:
            raise ScenarioError(f"{path}: limits.{name}: is no limit. Known: {', '.join(LIMITED)}.")
    limits = tuple(f"limits.{name}={value}" for name, value in params.limits.items())
    beside = folder / params.scenario
    file = beside if beside.is_file() else find(params.scenario)
    cases: list[CampaignCase] = []
    texts: list[str] = []
    base = without_events(load_scenario(file, (*params.set, *limits)))
    for number, group in enumerate(params.cases):
        where = f"{path}: cases.{number}"
        if group.profile not in profiles:
            raise ScenarioError(
                f'{where}.profile: "{group.profile}" is none of {", ".join(profiles)}'
            )
        for key, given, known in (
            ("axes", group.axes, AXES), ("senses", group.senses, SENSES),
            ("loops", group.loops, LOOPS),
        ):  # fmt: skip
            wrong = [value for value in given if value not in known]
            if wrong:
                raise ScenarioError(f'{where}.{key}: "{wrong[0]}" is none of {", ".join(known)}')
        if any(text.startswith("limits.") for text in group.set):
            raise ScenarioError(
                f"{where}.set: one matrix has one set of limits; put them into [limits]"
            )
        profile = profiles[group.profile]
        own = (*params.set, *limits, *group.set)
        scenario = without_events(load_scenario(file, own)) if group.set else base
        axes = group.axes if profile.aims else (AS_RECORDED,)
        for combination in itertools.product(
            axes, group.senses, group.levels, group.temperatures_k, group.loops
        ):
            case = CampaignCase(group.profile, *combination)
            if case in cases:
                raise ScenarioError(f"{where}: {case.words}: is there already")
            cases.append(case)
            texts.append(_job_text(where, params, scenario, profile, case))
    if len(cases) > MOST_CASES:
        raise ScenarioError(f"{path}: a campaign may have {MOST_CASES} cases (got {len(cases)})")
    return CampaignPlan(params, path, base, tuple(cases), tuple(texts))


def _profiles(params: CampaignParams, path: Path, folder: Path) -> dict[str, EventProfile]:
    found = {}
    for name, entry in params.profiles.items():
        check_entry(entry, f"{path}: profiles.{name}")
        for named in named_files({"disturbances": [entry]}):
            named.table[named.key] = named.naming(str(folder / named.path))
        found[name] = EventProfile(name, (entry,))
    return found


def _job_text(
    where: str, params: CampaignParams, scenario: Scenario, profile: EventProfile,
    case: CampaignCase,
) -> str:  # fmt: skip
    """Return what the job of a case needs; the case is made once to see that it can be."""
    from sim.assembly.build import build
    from sim.studies.run.preview import unexercised

    if case.temperature_k:
        if params.thermal is None:
            raise ScenarioError(f"{where}.temperatures_k: a table [thermal] is needed")
        air = {"shape": "step", "change_k": case.temperature_k, "at_s": 0.0}
        scenario = scenario.replace(
            disturbances=[*scenario.disturbances, {**params.thermal, "ambient": air}]
        )
    try:
        built = build(
            with_event(scenario, profile, case.axis, case.sense, case.level, case.loop)
        )
    except ScenarioError as exc:
        raise type(exc)(f"{where}: {case.words}: {exc}") from exc
    for reason in unexercised(built):
        raise ScenarioError(f"{where}: {case.words}: {reason}")
    job = {
        "scenario": scenario.model_dump(mode="json"), "profile": [profile.name, profile.entries],
        "case": case, "margins": params.margins and params.margins.model_dump(),
    }  # fmt: skip
    return json.dumps(job, allow_nan=False)
