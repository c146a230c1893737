"""The scenario: what a run depends on, as people write it (TOML) and as it is checked."""

import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Annotated, Any, TypeVar

from pydantic import AfterValidator, BaseModel, Field, ValidationError

from sim.camera.settings import CameraParams
from sim.errors import ScenarioError
from sim.mechanics.bracket import BracketParams
from sim.mechanics.isolator import IsolatorParams
from sim.mirror.drive import DriveParams
from sim.mirror.population import MirrorParams
from sim.optics.switch import SwitchParams
from sim.outside import in_full
from sim.params import Block, Positive
from sim.registry import GROUPS, nearest
from sim.results.hold import MetricsParams
from sim.results.limits import LimitsParams

PlugIn = dict[str, Any]
B = TypeVar("B", bound=BaseModel)
BASE = "base"


class TracesParams(Block):
    """How often the run is sampled."""

    sample_hz: Positive
    """Sampling rate of the traces; must divide the drive's update rate. Peaks, means and
    excursions between samples are kept, whatever the rate. [Hz]"""


def _one_or_even(samples: int) -> int:
    if samples > 1 and samples % 2:
        raise ValueError(f"must be 1 or an even number (got {samples})")
    return samples


ExposureSamples = Annotated[int, Field(ge=1, le=32), AfterValidator(_one_or_even)]


class EngineParams(Block):
    """How finely time is cut; for checking, not for taste."""

    substeps: Annotated[int, Field(ge=1, le=64)] = 1
    """Integration steps in a drive tick. [-]"""
    exposure_samples: ExposureSamples = 2
    """Positions over which a frame is averaged for motion during the exposure: one in the middle,
    or an even number at Gauss-Legendre points, two to each equal part. [-]"""


class Scenario(Block):
    """Everything a run depends on; the same scenario gives the same traces."""

    title: str
    """One line. [-]"""
    question: str
    """What the run is to answer, where its input comes from and what to expect. [-]"""
    seed: Annotated[int, Field(ge=0, lt=2**32)]
    """Names all random numbers of the run. [-]"""
    duration_ms: Positive
    """Length of the run. [ms]"""
    switch: SwitchParams
    mirror: MirrorParams
    drive: DriveParams
    camera: CameraParams
    estimator: PlugIn
    """`kind`, then the settings of that estimator. "package.module:Name" and "file.py:Name" run
    outside code."""
    controller: PlugIn
    """`kind`, then the settings of that controller. "package.module:Name" and "file.py:Name" run
    outside code."""
    shaping: PlugIn
    """`kind`, then the settings of that command shaping."""
    disturbances: tuple[PlugIn, ...] = ()
    """Each with its `kind` and settings."""
    isolator: IsolatorParams | None = None
    """Mounts between base and optical core; none: the core moves with the base."""
    bracket: BracketParams | None = None
    """What holds the camera against the fibres; none: perfectly stiff."""
    traces: TracesParams
    metrics: MetricsParams
    limits: LimitsParams = LimitsParams()
    engine: EngineParams = EngineParams()


def load_scenario(path: str | Path, overrides: Sequence[str] = ()) -> Scenario:
    """Read, merge and check a scenario file.

    Parameters
    ----------
    path : str or Path
        A TOML file. Its `base = "other.toml"` is read first; tables are merged key by key, lists
        and values replaced.
    overrides : sequence of str
        Each "key.key=value", the value in TOML; numbers reach into lists ("disturbances.0.peak_g").
        Another `kind` takes the place of the old one with all its settings.

    Returns
    -------
    Scenario
        Relative names of profiles and of files of code have become absolute.

    Raises
    ------
    ScenarioError
        With one line for each fault: file, key, rule, value, nearest known name.
    """
    path = Path(path)
    tree = _read(path, ())
    for override in overrides:
        _override(tree, override)
    return check_block(Scenario, tree, str(path))


def check_block(model: type[B], tree: Mapping[str, Any], where: str) -> B:
    """Return the checked block, or raise ScenarioError naming every fault.

    Parameters
    ----------
    model : type of BaseModel
        The block.
    tree : mapping
        What the user wrote.
    where : str
        File, and key if it is not the whole file; starts each line of the message.
    """
    try:
        return model.model_validate(tree)
    except ValidationError as exc:
        raise ScenarioError("\n".join(_fault(model, e, where) for e in exc.errors())) from exc


def _fault(model: type[BaseModel], error: Any, where: str) -> str:
    location = [part for part in error["loc"] if not _is_tag(part)]
    key = ".".join(map(str, location))
    rule = error["msg"].removeprefix("Value error, ")
    if error["type"] == "missing":
        return f"{where}: {key}: required, but missing"
    if error["type"] == "extra_forbidden":
        known = _fields_at(model, error["loc"][:-1])
        return f"{where}: {key}: unknown key{nearest(str(location[-1]), known)}".rstrip(".")
    if error["type"] == "value_error" and isinstance(error["input"], dict):
        return f"{where}: {key}: {rule}".replace(": :", ":")
    return f"{where}: {key}: {rule} (got {error['input']!r})"


def _is_tag(part: Any) -> bool:
    """Whether pydantic put this part in the location to name a branch of a union."""
    return isinstance(part, str) and any(c in part for c in "[(") or part in _UNION_TAGS


_UNION_TAGS = {"ramp", "step", "daily", "csv", "str"}


def _fields_at(model: Any, location: Sequence[Any]) -> list[str]:
    """Names of the fields of the block that a location leads to, as far as it can be followed."""
    blocks = [model]
    for part in location:
        found = []
        for block in blocks:
            field = getattr(block, "model_fields", {}).get(part)
            found += _blocks_in(field.annotation) if field is not None else []
        blocks = found or blocks
    return sorted({name for block in blocks for name in getattr(block, "model_fields", {})})


def _blocks_in(annotation: Any) -> list[Any]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [b for part in getattr(annotation, "__args__", ()) for b in _blocks_in(part)]


def _read(path: Path, seen: tuple[Path, ...]) -> dict[str, Any]:
    here = path.resolve()
    if here in seen:
        chain = " -> ".join(p.name for p in (*seen, here))
        raise ScenarioError(f"scenarios build on each other in a circle: {chain}")
    try:
        tree = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as exc:
        raise ScenarioError(f"{path}: cannot be read: {exc.strerror}") from exc
    except UnicodeDecodeError as exc:
        raise ScenarioError(f"{path}: is not UTF-8 text: {exc}") from exc
    except tomllib.TOMLDecodeError as exc:
        raise ScenarioError(f"{path}: is not valid TOML: {exc}") from exc
    for section in GROUPS:
        _anchor(tree.get(section, {}), here.parent)
    base = tree.pop(BASE, None)
    if base is None:
        return tree
    if not isinstance(base, str):
        raise ScenarioError(f"{path}: base: must be the name of a scenario file (got {base!r})")
    try:
        under = _read(path.parent / base, (*seen, here))
    except ScenarioError as exc:
        raise ScenarioError(f"{path}: base: {exc}") from exc
    return _merged(under, tree)


def _anchor(tree: Any, folder: Path) -> None:
    """Make relative names of files absolute, against the folder of the scenario that names them."""
    if isinstance(tree, dict):
        if isinstance(tree.get("file"), str):
            tree["file"] = str(folder / tree["file"])
        if isinstance(tree.get("kind"), str):
            tree["kind"] = in_full(tree["kind"], folder)
        tree = list(tree.values())
    if isinstance(tree, list):
        for part in tree:
            _anchor(part, folder)


def _merged(under: dict[str, Any], over: dict[str, Any]) -> dict[str, Any]:
    """Return `under` with `over` on top; a table of another `kind` replaces the whole table."""
    merged = dict(under)
    for key, value in over.items():
        old = merged.get(key)
        if isinstance(old, dict) and isinstance(value, dict):
            same_kind = value.get("kind", old.get("kind")) == old.get("kind")
            merged[key] = _merged(old, value) if same_kind else value
        else:
            merged[key] = value
    return merged


def _override(tree: dict[str, Any], text: str) -> None:
    key, equals, value = text.partition("=")
    if not equals or not key.strip():
        raise ScenarioError(f'--set needs "key=value" (got {text!r})')
    try:
        parsed = tomllib.loads(f"value = {value.strip()}")["value"]
    except tomllib.TOMLDecodeError:
        parsed = value.strip()
    *path, last = key.strip().split(".")
    at: Any = tree
    for part in path:
        at = _inside(at, part, text)
    if isinstance(at, list):
        _inside(at, last, text)
        at[int(last)] = parsed
    elif isinstance(at, dict):
        if last == "kind" and isinstance(parsed, str):
            parsed = in_full(parsed, Path())  # as the shell that it was typed in counts it
        if last == "kind" and at.get("kind") != parsed:
            at.clear()  # another part does not understand the old one's settings
        at[last] = parsed
    else:
        raise ScenarioError(f'--set {text}: "{path[-1]}" is a single value, nothing is inside it')


def _inside(at: Any, part: str, text: str) -> Any:
    if isinstance(at, dict):
        return at.setdefault(part, {})
    if isinstance(at, list):
        if part.isdigit() and int(part) < len(at):
            return at[int(part)]
        raise ScenarioError(f'--set {text}: "{part}" must be a number below {len(at)}')
    raise ScenarioError(f'--set {text}: "{part}" is inside a single value')
