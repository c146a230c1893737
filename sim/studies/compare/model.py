"""Time and loss of mechanisms that connect fibres, on paper."""

from pathlib import Path
from typing import Annotated, Final, Literal, NamedTuple

import numpy as np
from pydantic import Field

from sim.foundations.errors import ScenarioError
from sim.foundations.files.reading import read_text
from sim.foundations.params import Block, Count, between
from sim.foundations.ports import Array
from sim.foundations.rng import normals
from sim.scenario.check import check_block
from sim.scenario.file import LARGEST_MB, parsed

DRAWS: Final = 20_000
KEY: Final = (7, 98)

Loss = Annotated[float, between(0.0, 60.0)]


class MechanismParams(Block):
    """One class of mechanism, by the user's own figures.

    Valid for moves of 1 us to 1e9 ms, whose times are independent, and losses of up to 60 dB a
    part, where there is no light.
    """

    name: str
    """As it shall stand on the page. [-]"""
    kind: Literal["two_mirrors", "one_by_one", "two_collimators"]
    """Two mirrors in free space; a robot that unplugs and plugs one fibre at a time; collimators
    that are themselves steered at each other. [-]"""
    move_ms: Annotated[float, between(1e-3, 1e9)]
    """Mean time of one move, until light is back. [ms]"""
    move_sd_ms: Annotated[float, between(0.0, 1e9)] = 0.0
    """Its standard deviation from move to move. [ms]"""
    plan_ms: Annotated[float, between(0.0, 1e9)] = 0.0
    """Time before the first move of an order: planning, and getting there. [ms]"""
    movers: Count | None = None
    """Moves that can go on at once; none: all. [-]"""
    moves_per_connection: Annotated[float, between(1e-3, 1e3)] = 1.0
    """Moves that one new connection takes; above 1 where fibres must be put aside. [-]"""
    parts_db: tuple[tuple[Loss, Loss], ...] = Field(min_length=1)
    """Mean and standard deviation of the loss of each part that light passes; normal laws cut off
    at zero. [dB]"""
    holds_without_power: bool
    """Whether connections stay when power fails. [-]"""
    bypass_of_failure: Annotated[float, Field(ge=0, le=1)] = 1.0
    """Share of connections that a single failure of the mechanism leaves alone. [-]"""


class CompareParams(Block):
    """What is to be compared.

    Valid up to a million connections, and outages of up to 30 years.
    """

    connections: Annotated[int, Field(ge=1, le=1_000_000)]
    """N, of the whole switch. [-]"""
    rewire: tuple[Count, ...]
    """Numbers k of connections that are changed in one order. [-]"""
    longest_outage_s: Annotated[float, between(1e-6, 1e9)]
    """What the user allows for one order. [s]"""
    limit_db: Annotated[float, between(1e-3, 60.0)]
    """Loss that a connection may have. [dB]"""
    mechanisms: Annotated[tuple[MechanismParams, ...], Field(min_length=1)]
    """The mechanisms."""


class Rewired(NamedTuple):
    """Time to carry out an order of k connections. [s]"""

    k: int
    median_s: float
    p99_s: float
    dark_s: float
    """Mean time for which one of the k connections is dark, in the median order."""


class Compared(NamedTuple):
    """One mechanism."""

    params: MechanismParams
    rewired: list[Rewired]
    loss_mean_db: float
    loss_p99_db: float
    loss_db: Array
    """(draws,) [dB]"""
    within: float
    """Share of connections within the limit."""
    most: int | None
    """Largest k of those asked for that stays within the longest outage; None: not even one."""


def load_comparison(path: Path) -> CompareParams:
    """Read a comparison from a TOML file.

    Raises
    ------
    ScenarioError
        If it cannot be read, or a key is unknown, missing or out of bounds.
    """
    tree = parsed(path, read_text(path, fault=ScenarioError, largest_mb=LARGEST_MB))
    params = check_block(CompareParams, tree, str(path))
    wrong = [k for k in params.rewire if k > params.connections]
    if wrong:
        raise ScenarioError(
            f"{path}: rewire: must not exceed connections = {params.connections} (got {wrong[0]})"
        )
    return params


def compare(params: CompareParams) -> list[Compared]:
    """Return time and loss of each mechanism.

    k connections are spread over the movers; each mover makes its moves one after another, and the
    order is done when the slowest mover is. Losses of the parts of one connection are independent.
    """
    return [_compared(m, params, n) for n, m in enumerate(params.mechanisms)]


def _compared(m: MechanismParams, params: CompareParams, number: int) -> Compared:
    parts = []
    for n, (mean, sd) in enumerate(m.parts_db):
        z = normals(KEY, np.arange(DRAWS), 2 * n, number)[:, 0]
        parts.append(np.maximum(mean + sd * z, 0.0))
    loss = np.sum(parts, axis=0)
    rewired = [_rewired(m, k, number) for k in sorted(set(params.rewire))]
    fits = [row.k for row in rewired if row.p99_s <= params.longest_outage_s]
    return Compared(
        m, rewired, float(loss.mean()), float(np.percentile(loss, 99)), loss,
        float(np.mean(loss <= params.limit_db)), max(fits) if fits else None,
    )  # fmt: skip


def _rewired(m: MechanismParams, k: int, number: int, orders: int = 400) -> Rewired:
    """Return the time of an order, by drawing it `orders` times."""
    moves = int(np.ceil(k * m.moves_per_connection))
    movers = moves if m.movers is None else min(m.movers, moves)
    turns = -(-moves // movers)
    times = np.empty(orders)
    for order in range(orders):
        z = normals((KEY[0], KEY[1] + 1 + number), np.arange(moves), order, k)[:, 0]
        each = np.maximum(m.move_ms + m.move_sd_ms * z, 0.0)
        padded = np.pad(each, (0, turns * movers - moves)).reshape(turns, movers)
        times[order] = 1e-3 * (m.plan_ms + padded.sum(axis=0).max())
    # A connection is dark while its own fibres are moved; side by side, for the move alone.
    dark_s = 1e-3 * m.move_ms * m.moves_per_connection
    return Rewired(k, float(np.median(times)), float(np.percentile(times, 99)), dark_s)
