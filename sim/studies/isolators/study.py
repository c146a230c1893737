"""Compare mounts: the same scenario bolted down and on each of them."""

import tomllib
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, Final, NamedTuple

import numpy as np

from sim.foundations.errors import ScenarioError
from sim.foundations.files.reading import read_text
from sim.foundations.ports import Array
from sim.mechanics.isolator import Isolator, IsolatorParams
from sim.mechanics.shock_spectrum import shock_spectrum, thinned
from sim.results.table import LIMITED
from sim.scenario.check import check_block
from sim.scenario.model import Scenario
from sim.studies.replay.figures import case_figures, culprits_of
from sim.studies.run.make import make_run
from sim.studies.run.run import core_acceleration
from sim.studies.run.shown import reasons_against

BOLTED: Final = "bolted down"
QUALITY: Final = 10.0


class MountResult(NamedTuple):
    """What one kind of mount does."""

    name: str
    params: IsolatorParams | None
    row: dict[str, Any]
    """As it is filed."""
    frequency_hz: Array
    transmissibility: Array | None
    """(F, 3) magnitude; None if bolted down."""
    response_m_s2: Array
    """(F,) shock response spectrum of the core along the axis that it moves most on."""


def load_mounts(path: str | Path) -> dict[str, IsolatorParams]:
    """Read mounts from a TOML file: a table for each, with the keys of `[isolator]`.

    Parameters
    ----------
    path : str or Path
        TOML.

    Returns
    -------
    dict of str to IsolatorParams
        Name of a mount -> its settings, in the order of the file.

    Raises
    ------
    ScenarioError
        With file, key, rule and value.
    """
    path = Path(path)
    try:
        tree = tomllib.loads(read_text(path, fault=ScenarioError))
    except tomllib.TOMLDecodeError as exc:
        raise ScenarioError(f"{path}: is not valid TOML: {exc}") from exc
    if not tree:
        raise ScenarioError(f"{path}: a table for each mount is needed, the file has none")
    found = {}
    for name, table in tree.items():
        if not isinstance(table, dict):
            raise ScenarioError(f"{path}: {name}: must be a table of one mount (got {table!r})")
        if name == BOLTED:
            raise ScenarioError(f"{path}: {name}: is compared anyway; give the mount another name")
        found[name] = check_block(IsolatorParams, table, f"{path}: {name}")
    return found


def compare_isolators(
    scenario: Scenario,
    mounts: Mapping[str, IsolatorParams],
    *,
    threads: int | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> list[MountResult]:
    """Run a scenario bolted down and on each kind of mount.

    Parameters
    ----------
    scenario : Scenario
        With whatever shakes it.
    mounts : mapping of str to IsolatorParams
        By name.
    threads : int, optional
        Threads of the compiled kernels.
    progress : callable, optional
        Called with (finished, all) runs.

    Returns
    -------
    list of MountResult
        Bolted down first.

    Raises
    ------
    ScenarioError
        If the scenario does not accelerate its base, or a run cannot be done.
    """
    kinds: list[tuple[str, IsolatorParams | None]] = [(BOLTED, None), *mounts.items()]
    found = []
    for number, (name, params) in enumerate(kinds, 1):
        found.append(_one(scenario, name, params, threads))
        if progress is not None:
            progress(number, len(kinds))
    return found


def _one(
    scenario: Scenario, name: str, params: IsolatorParams | None, threads: int | None
) -> MountResult:
    mounted = scenario.replace(isolator=None if params is None else params.model_dump())
    made = make_run(mounted, threads=threads, pictures=False)
    acceleration = core_acceleration(made.built)
    if not acceleration.any():
        raise ScenarioError("nothing accelerates the base: there is no event to be isolated from")
    figures, tick_s = made.figures, made.built.parts.clock.tick_s
    axis = int(np.abs(acceleration).max(axis=0).argmax())
    strongest, rate_hz = thinned(acceleration[:, axis], 1.0 / tick_s)
    frequency = np.geomspace(1.0, min(1000.0, rate_hz / 10.0), 120)
    response = shock_spectrum(strongest, rate_hz, frequency, QUALITY)
    passed = None
    if params is not None:
        passed = np.abs(Isolator(params, tick_s).transmissibility(frequency))
    missed = [row["name"] for row in made.limits if not row["met"]]
    sway, against = figures["sway"], list(reasons_against(made))
    row = {
        "name": name,
        "mounts": None if params is None else params.model_dump(mode="json"),
        "largest_transmissibility": None if passed is None else float(passed.max()),
        "isolates_above_hz": None if params is None
        else [float(np.sqrt(2.0) * f) for f in params.resonance_hz],
        "sway": {key: sway[key] for key in ("x_mm", "y_mm", "z_mm", "max_mm", "clearance_pct")},
        "strikes": list(sway["over_clearance"]),
        "figures": case_figures(made),
        "limits": made.limits,
        "missed": missed,
        "not_shown": against,
        "verdict": "missed" if missed else ("not shown" if against else "met"),
        "where": culprits_of(made).get("excess_max_db"),
    }  # fmt: skip
    return MountResult(name, params, row, frequency, passed, response)


def verdict_of(found: list[MountResult]) -> str:
    """Return, in some sentences, what meets the limits and which mount leaves least loss."""
    met = [r.name for r in found if r.row["verdict"] == "met"]
    free = [r for r in found if not r.row["strikes"]]
    best = min(free, key=lambda r: float(r.row["figures"]["peak_loss_db"]))
    loss = best.row["figures"]["peak_loss_db"]
    bolted = found[0].row["figures"]["peak_loss_db"]
    text = f"{' and '.join(met) or 'none'} meet{'s' if len(met) == 1 else ''} every limit. "
    text = f"{text[:1].upper()}{text[1:]}Least loss without a strike: {best.name}, {loss:.3g} dB"
    if best.params is not None:
        sway = best.row["sway"]
        text += f" against {bolted:.3g} dB bolted down, with {sway['max_mm']:.3g} mm of sway "
        text += f"({sway['clearance_pct']:.0f} % of the clearance)"
    if best.row["missed"]:
        text += f", but it misses {', '.join(LIMITED[name].said for name in best.row['missed'])}"
    struck = [r.name.replace("_", " ") for r in found if r.row["strikes"]]
    return f"{text}. The core strikes its stops on: {', '.join(struck)}." if struck else f"{text}."
