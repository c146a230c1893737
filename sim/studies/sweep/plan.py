"""From what is varied to the list of runs: full grid, Latin hypercube, Sobol sequence."""

import itertools
import json
import math
import shlex
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.stats import qmc

from sim.foundations.errors import SimError
from sim.scenario.gallery import find
from sim.scenario.model import Scenario, load_scenario
from sim.studies.sweep.errors import SweepError
from sim.studies.sweep.vary import Varied, parse_vary, toml

DESIGNS = ("grid", "latin", "sobol")
SEED_END = 2**32
MOST_POINTS = 100_000
MOST_RUNS = 1_000_000
"""What plan, table and page are laid out for."""


@dataclass(frozen=True, slots=True)
class SweepPlan:
    """Every run of a sweep, in order: point by point, and for each point seed by seed."""

    name: str
    """The scenario as the user named it."""
    overrides: tuple[str, ...]
    """What was set for all runs."""
    varied: tuple[Varied, ...]
    points: tuple[tuple[Any, ...], ...]
    """Values of the varied quantities; sample by sample within each combination of listed ones."""
    combinations: int
    """Combinations of listed values; the number of points is this times `samples`."""
    samples: int
    """Draws from the distributions; 1 if there is nothing to draw."""
    seeds: tuple[int, ...]
    design: str
    scenarios: tuple[str, ...]
    """The checked scenario of each point, as JSON."""

    @property
    def n_runs(self) -> int:
        """Points times seeds."""
        return len(self.points) * len(self.seeds)

    def of_run(self, run: int) -> tuple[int, int]:
        """Return the point and the seed of a run."""
        point, k = divmod(run, len(self.seeds))
        return point, self.seeds[k]

    def command(self, run: int) -> str:
        """Return the command that does one run on its own."""
        point, seed = self.of_run(run)
        paths = [v.path for v in self.varied]
        chosen = (
            f"{path}={toml(value)}" for path, value in zip(paths, self.points[point], strict=True)
        )
        words = ["mirrorloop", "run", self.name]
        for override in (*self.overrides, *chosen):
            words += ["--set", override]
        return shlex.join([*words, "--seed", str(seed), "--out", f"run_{run}"])


def make_plan(
    scenario: str,
    vary: Sequence[str],
    *,
    seeds: int = 1,
    samples: int | None = None,
    design: str | None = None,
    overrides: Sequence[str] = (),
) -> SweepPlan:
    """Lay out a sweep and check the scenario of every point.

    Listed values are always crossed in full, and every combination of them meets the same samples
    of the distributions and the same seeds, so that comparisons between them are paired.

    Parameters
    ----------
    scenario : str
        A scenario file, or the name of a shipped one.
    vary : sequence of str
        See `sim.studies.sweep.vary.parse_vary`; none to vary the seed alone.
    seeds : int
        Runs at each point, with the scenario's seed and those that follow it.
    samples : int, optional
        Draws from the distributions; needed if there are any.
    design : {"grid", "latin", "sobol"}, optional
        How distributions are drawn: the middles of `samples` equally likely parts of each,
        crossed in full; a Latin hypercube; a scrambled Sobol sequence, whose length must be a
        power of two. Left out: "latin" if there are distributions.
    overrides : sequence of str
        "path=value", set for all runs.

    Returns
    -------
    SweepPlan

    Raises
    ------
    SweepError
        If the layout cannot be made.
    ScenarioError
        If the scenario of a point is not good.
    """
    varied = tuple(parse_vary(text) for text in vary)
    paths = [v.path for v in varied]
    for path in paths:
        if paths.count(path) > 1:
            raise SweepError(f"--vary {path}: may be given once (got it {paths.count(path)} times)")
    design = _design(design, samples, any(v.distribution is not None for v in varied))
    _check_count("--seeds", seeds)
    file = find(scenario)
    base_seed = _seed(file, overrides, varied)
    if base_seed + seeds > SEED_END:
        raise SweepError(
            f"--seeds {seeds}: seeds must stay below {SEED_END} (the first is {base_seed})"
        )
    many = samples or 1
    if many > MOST_POINTS:
        raise SweepError(f"--samples {many}: a sweep may have {MOST_POINTS} points at most")
    crossed = [v.values or _middles(v, many) for v in varied if design == "grid" or v.values]
    n_samples = 1 if design == "grid" else many
    combinations = math.prod(len(values) for values in crossed)
    n_points = combinations * n_samples
    if n_points > MOST_POINTS:
        raise SweepError(f"a sweep may have {MOST_POINTS} points at most (got {n_points})")
    if n_points * seeds > MOST_RUNS:
        raise SweepError(f"a sweep may have {MOST_RUNS} runs at most (got {n_points * seeds})")
    points = tuple(_points(varied, crossed, design, n_samples, base_seed))
    scenarios = tuple(_scenario(file, overrides, paths, point) for point in points)
    return SweepPlan(
        name=scenario,
        overrides=tuple(overrides),
        varied=varied,
        points=points,
        combinations=combinations,
        samples=n_samples,
        seeds=tuple(range(base_seed, base_seed + seeds)),
        design=design,
        scenarios=scenarios,
    )


def check_plan(plan: SweepPlan) -> None:
    """Make the parts of point after point until those of one fit together.

    A point that cannot be run says so in the table; a sweep without any that can is not begun.

    Raises
    ------
    SimError
        What the first point was refused for, if all are refused.
    """
    from sim.assembly.build import build

    first = None
    for text in plan.scenarios:
        try:
            build(Scenario.model_validate_json(text))
            return
        except SimError as exc:
            first = first or exc
    if first is not None:
        raise type(first)(f"{plan.name}: no point of the sweep can be run: {first}") from first


def unit_samples(design: str, dimensions: int, count: int, seed: int) -> NDArray[np.float64]:
    """Return (count, dimensions) points of the unit cube from `scipy.stats.qmc`.

    References
    ----------
    M. D. McKay, R. J. Beckman and W. J. Conover, Technometrics 21 (1979) 239 (Latin hypercube).
    I. M. Sobol, USSR Comput. Math. Math. Phys. 7 (1967) 86; A. B. Owen, "Randomly permuted
    (t,m,s)-nets and (t,s)-sequences", 1995 (scrambling).
    """
    if design == "latin":
        return np.asarray(qmc.LatinHypercube(dimensions, rng=seed).random(count))
    sequence = qmc.Sobol(dimensions, scramble=True, rng=seed)
    return np.asarray(sequence.random_base2(count.bit_length() - 1))


def _points(
    varied: Sequence[Varied],
    crossed: Sequence[Sequence[Any]],
    design: str,
    n_samples: int,
    seed: int,
) -> Iterator[tuple[Any, ...]]:
    drawn = [v for v in varied if v.distribution is not None] if design != "grid" else []
    columns = []
    if drawn:
        unit = unit_samples(design, len(drawn), n_samples, seed)
        columns = [
            v.distribution.quantile(u).tolist()
            for v, u in zip(drawn, unit.T, strict=True)
            if v.distribution is not None
        ]
    for combination in itertools.product(*crossed):
        for j in range(n_samples):
            listed, sampled = iter(combination), iter([column[j] for column in columns])
            yield tuple(next(sampled if v in drawn else listed) for v in varied)


def _design(design: str | None, samples: int | None, drawn: bool) -> str:
    if design is not None and design not in DESIGNS:
        raise SweepError(f"--design must be one of {', '.join(DESIGNS)} (got {design!r})")
    if not drawn:
        if samples is not None:
            raise SweepError(f"--samples {samples}: no --vary gives a distribution to draw from")
        if design not in (None, "grid"):
            raise SweepError(f"--design {design}: no --vary gives a distribution to draw from")
        return "grid"
    if samples is None:
        raise SweepError("--samples is needed, since a --vary gives a distribution")
    _check_count("--samples", samples)
    if design == "sobol" and samples & (samples - 1):
        low = 1 << (samples.bit_length() - 1)
        raise SweepError(
            f"--samples {samples}: a Sobol sequence needs a power of two, {low} or {2 * low}"
        )
    return design or "latin"


def _check_count(option: str, count: int) -> None:
    if count < 1:
        raise SweepError(f"{option} must be 1 or more (got {count})")


def _middles(varied: Varied, count: int) -> tuple[float, ...]:
    if varied.distribution is None:
        return ()
    return tuple(varied.distribution.quantile((np.arange(count) + 0.5) / count).tolist())


def _seed(path: Path, overrides: Sequence[str], varied: Sequence[Varied]) -> int:
    """Return the scenario's seed, read with first listed values and medians in place."""
    centre = [v.values[0] if v.distribution is None else _middles(v, 1)[0] for v in varied]
    text = _scenario(path, overrides, [v.path for v in varied], centre)
    return int(json.loads(text)["seed"])


def _scenario(
    path: Path, overrides: Sequence[str], paths: Sequence[str], point: Sequence[Any]
) -> str:
    chosen = [f"{name}={toml(value)}" for name, value in zip(paths, point, strict=True)]
    loaded: Scenario = load_scenario(path, [*overrides, *chosen])
    return loaded.model_dump_json(exclude_none=True)
