"""Which ports the switch connects, and when."""

from typing import Annotated, Literal, Self

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, model_validator

from sim.foundations.errors import ScenarioError
from sim.foundations.params import Block, Positive, between
from sim.foundations.rng import Stream, uniforms
from sim.optics.budgets import AimingParams, BandParams, BudgetParams
from sim.optics.build_errors import BuildParams
from sim.optics.params import GeometryParams, OpticsParams

PortPair = tuple[Annotated[int, Field(ge=0, lt=1024)], Annotated[int, Field(ge=0, lt=1024)]]
MirrorName = Annotated[str, Field(pattern=r"^[AB][0-9]{1,4}$")]
ConnectionPattern = Literal["identity", "reversed", "random"]
Wiring = (
    ConnectionPattern | Annotated[tuple[PortPair, ...], Field(min_length=1, max_length=1024)]
)


class StageParams(Block):
    """Part of a move: which mirrors start to turn when.

    Valid up to 100 s after the command; each stage goes its shaped path from where it is.
    """

    after_ms: Annotated[float, between(0.0, 1e5)]
    """From the move's command; it takes effect at the start of the next frame. [ms]"""
    mirrors: Literal["A", "B"] | Annotated[tuple[MirrorName, ...], Field(min_length=1)]
    """A whole array, or names of mirrors such as "A03" or "B17". [-]"""
    axes: Literal["both", "x", "y"] = "both"
    """Which of their axes turn. [-]"""


class MoveParams(Block):
    """One switching command.

    Valid within the run, at least a frame after the move before: commands act at frame starts.
    """

    at_ms: Positive
    """When it is given; it takes effect at the start of the next frame. [ms]"""
    connections: Wiring
    """The new connections: a pattern, or pairs [input, output] of the same inputs. [-]"""
    stages: Annotated[tuple[StageParams, ...], Field(max_length=64)] = ()
    """Which mirrors turn when; none: all at once. Every axis that moves is in one of them. [-]"""


class SwitchParams(Block):
    """The switch and its connections. Mirrors must not overlap: each is narrower than the pitch.

    Valid for up to 1000 moves of the same inputs.
    """

    geometry: GeometryParams
    """Where mirrors and collimators stand."""
    optics: OpticsParams
    """The light and its losses."""
    connections: Wiring
    """Connections at the start: "identity", "reversed", "random" (a permutation drawn from the
    seed) or a list of pairs [input, output]. With arrays of unequal size a pattern connects as many
    as the smaller one has, inputs from the first on. [-]"""
    moves: Annotated[tuple[MoveParams, ...], Field(max_length=1000)] = ()
    """Switching commands, in order of time."""
    build: BuildParams | None = None
    """Spread of the parts as built; none: a perfect switch with flat mirrors, whose edges are
    taken into account without curvature. With it, one integral holds edges, curvature and beams
    off centre. [-]"""
    band: BandParams | None = None
    """Band of the data light; none: its one wavelength. Runs take no notice. [-]"""
    aiming: AimingParams | None = None
    """How tables of connections are aimed; none: exactly. Runs have their own errors. [-]"""
    budget: BudgetParams | None = None
    """Limits of loss and what the years do; needed for yield. Runs take no notice. [-]"""

    @model_validator(mode="after")
    def _mirrors_do_not_overlap(self) -> Self:
        pitch_mm = min(self.geometry.pitch_mm, self.geometry.output_pitch_mm or np.inf)
        width_mm = 2e-3 * self.optics.mirror_radius_um
        if width_mm > pitch_mm:
            raise ValueError(
                f"optics.mirror_radius_um: mirrors must not be wider than the pitch, "
                f"{pitch_mm:g} mm (got {width_mm:g} mm)"
            )
        return self


def wire(
    wiring: Wiring, ports: tuple[int, int], seed: int, number: int, key: str
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return (inputs, outputs), each (C,), of a pattern or a list of pairs.

    Parameters
    ----------
    wiring : pattern or pairs
        As the scenario has it.
    ports : (int, int)
        Inputs and outputs.
    seed, number : int
        Seed of the run and number of the command, which name the random permutation.
    key : str
        Where the scenario says so, for messages.

    Raises
    ------
    ScenarioError
        If a port does not exist or is used twice.
    """
    everyone, places = np.arange(min(ports)), np.arange(ports[1])
    if wiring == "identity":
        return everyone, everyone.copy()
    if wiring == "reversed":
        return everyone, places[::-1][: len(everyone)].copy()
    if wiring == "random":
        drawn = np.argsort(uniforms((seed, Stream.MOVES), places, number)[:, 0])
        return everyone, drawn[: len(everyone)]
    pairs = np.array(wiring, dtype=np.int64)
    for side, column, count in (
        ("input", pairs[:, 0], ports[0]),
        ("output", pairs[:, 1], ports[1]),
    ):
        if column.max() >= count:
            which = "ports_per_side" if ports[0] == ports[1] else f"the {side} ports"
            raise ScenarioError(
                f"{key}: {side} port must be below {which} = {count} (got {column.max()})"
            )
        values, counts = np.unique(column, return_counts=True)
        if counts.max() > 1:
            raise ScenarioError(
                f"{key}: {side} port {values[counts.argmax()]} is used {counts.max()} times; "
                "a port takes part in one connection"
            )
    order = np.argsort(pairs[:, 0])
    return pairs[order, 0], pairs[order, 1]


def budget_of(switch: SwitchParams, purpose: str) -> BudgetParams:
    """Return the budget of a switch.

    Parameters
    ----------
    switch : SwitchParams
        The switch.
    purpose : str
        What it is wanted for, as in "required for yield".

    Raises
    ------
    ScenarioError
        If it has none.
    """
    if switch.budget is None:
        raise ScenarioError(f"switch.budget: required for {purpose}, but missing")
    return switch.budget
