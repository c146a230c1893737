"""From the commanded connections to aims, pairs of mirrors and losses, epoch by epoch."""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.foundations.errors import ScenarioError
from sim.foundations.ports import Array, Clock
from sim.optics.beams import CoupledBeams
from sim.optics.links import beams, links
from sim.optics.staging import Stage, frame_of, staged
from sim.optics.switch import SwitchParams, wire


class Epoch(NamedTuple):
    """A stretch of the run with one set of connections, from a command to the next."""

    start_s: float
    """When it was commanded; 0 for the connections that stand at the start. [s]"""
    commanded: bool
    """False for the connections that stand at the start."""
    outputs: NDArray[np.int64]
    """(C,) output port of each connected input port (see `Traces.inputs`)."""
    aim_rad: NDArray[np.float64]
    """(M, 2) tilt that aims each beam. [rad]"""
    pairs: NDArray[np.int64]
    """(C, 2) columns of the fleet that carry each connection: its A and its B mirror."""
    aligned_db: NDArray[np.float64]
    """(C,) loss with every mirror on its aim. [dB]"""
    form_db: NDArray[np.float64]
    """(C, 4, 4) excess loss is e.form.e with e = errors (Ax, Ay, Bx, By). [dB/rad^2]"""
    moved: NDArray[np.bool_]
    """(M,) mirrors whose aim this command changed."""
    beams: CoupledBeams
    """What the exact loss comes from, where the form no longer holds."""
    stages: tuple[Stage, ...] = ()
    """When which mirrors are sent to their aims: at once, if the move has no stages."""


def connected_epochs(
    switch: SwitchParams, clock: Clock, *, seed: int, population_seed: int,
    spares: tuple[Sequence[int], Sequence[int]] = ((), ()),
) -> tuple[NDArray[np.int64], NDArray[np.int64], tuple[Epoch, ...], tuple[int, ...]]:
    """Return what each command connects.

    Parameters
    ----------
    switch : SwitchParams
        The switch, its connections and its moves.
    clock : Clock
        Time base of the run.
    seed, population_seed : int
        Draw random connections, and the connectors of the ports.
    spares : (sequence of int, sequence of int)
        Input and output ports without a connection whose mirrors take part too.

    Returns
    -------
    mirrors : (M,) ndarray of int
        Numbers of the mirrors that carry light at any time, and of the spares.
    inputs : (C,) ndarray of int
        Connected input ports.
    epochs : tuple of Epoch
        From the start, and from each command.
    frames : tuple of int
        The frame at which each epoch starts.

    Raises
    ------
    ScenarioError
        If ports are used twice, or commands are out of order, outside the run, or of other inputs.
    """
    ports = (switch.geometry.ports_per_side, switch.geometry.outputs)
    plans = [(0.0, switch.connections, "switch.connections")]
    plans += [
        (move.at_ms, move.connections, f"switch.moves.{i}.connections")
        for i, move in enumerate(switch.moves)
    ]
    frames = [frame_of(at_ms, clock.frame_s) for at_ms, _, _ in plans]
    for i in range(1, len(frames)):
        if frames[i] <= frames[i - 1]:
            raise ScenarioError(
                f"switch.moves.{i - 1}.at_ms: moves must come in order, at least a frame apart "
                f"(got {plans[i][0]:g})"
            )
        if frames[i] >= clock.n_frames:
            raise ScenarioError(
                f"switch.moves.{i - 1}.at_ms: must lie inside the run of "
                f"{1e3 * clock.n_frames * clock.frame_s:g} ms (got {plans[i][0]:g})"
            )
    wired = [
        wire(wiring, ports, seed, i, key) for i, (_, wiring, key) in enumerate(plans)
    ]
    inputs = wired[0][0]
    for (_, _, key), (others, _) in zip(plans[1:], wired[1:], strict=True):
        if not np.array_equal(others, inputs):
            raise ScenarioError(
                f"{key}: a move connects the same inputs as the start, {inputs.tolist()} "
                f"(got {others.tolist()})"
            )
    used = (inputs, np.unique(np.concatenate([outputs for _, outputs in wired])))
    mirrors = np.concatenate(
        [
            offset + np.union1d(ports_used, _spare(spare, ports_used, number, key))
            for offset, ports_used, spare, number, key in zip(
                (0, ports[0]), used, spares, ports, ("inputs", "outputs"), strict=True
            )
        ]
    ).astype(np.int64)
    epochs: list[Epoch] = []
    aim = np.zeros((len(mirrors), 2))
    for i, (_, outputs) in enumerate(wired):
        before = aim
        pairs = np.searchsorted(mirrors, np.stack([inputs, ports[0] + outputs], axis=-1))
        aim, aligned, form, rows = _connected(
            switch, population_seed, inputs, outputs, pairs, before
        )
        stages: tuple[Stage, ...] = (Stage(frames[i], aim),)
        if i and switch.moves[i - 1].stages:
            end = frames[i + 1] if i + 1 < len(frames) else clock.n_frames
            stages = staged(
                switch.moves[i - 1], f"switch.moves.{i - 1}.stages", mirrors, ports[0],
                (before, aim), frame_s=clock.frame_s, end=end,
            )  # fmt: skip
        epochs.append(
            Epoch(
                start_s=frames[i] * clock.frame_s,
                commanded=i > 0,
                outputs=outputs,
                aim_rad=aim,
                pairs=pairs,
                aligned_db=aligned,
                form_db=form,
                moved=(aim != before).any(axis=1) if i else np.zeros(len(mirrors), bool),
                beams=rows,
                stages=stages,
            )
        )
    return mirrors, inputs, tuple(epochs), tuple(frames)


def rewired(
    switch: SwitchParams, mirrors: NDArray[np.int64], epoch: Epoch, aim_before: Array,
    pairs: NDArray[np.int64], *, frame: int, frame_s: float, population_seed: int,
) -> Epoch:  # fmt: skip
    """Return the epoch whose connections go by way of other mirrors, commanded in a frame.

    Parameters
    ----------
    switch : SwitchParams
        The switch.
    mirrors : (M,) ndarray of int
        Numbers of the mirrors in the run.
    epoch : Epoch
        With the connections as they were; they keep their names.
    aim_before : (M, 2) ndarray
        Aims until then. [rad]
    pairs : (C, 2) ndarray of int
        Columns of the mirrors that carry each connection from then on.
    frame : int
        Frame of the command.
    frame_s : float
        Length of a frame. [s]
    population_seed : int
        Draws the connectors of the ports.
    """
    inputs = mirrors[pairs[:, 0]]
    outputs = mirrors[pairs[:, 1]] - switch.geometry.ports_per_side
    aim, aligned, form, rows = _connected(
        switch, population_seed, inputs, outputs, pairs, aim_before
    )
    return epoch._replace(
        start_s=frame * frame_s, commanded=True, aim_rad=aim, pairs=pairs, aligned_db=aligned,
        form_db=form, moved=(aim != aim_before).any(axis=1), beams=rows,
        stages=(Stage(frame, aim),),
    )  # fmt: skip


def _spare(
    spare: Sequence[int], used: NDArray[np.int64], number: int, what: str
) -> NDArray[np.int64]:
    """Return spare ports, checked against those that are used."""
    for port in spare:
        if not 0 <= port < number:
            raise ScenarioError(
                f"health.spare_{what}: ports are 0 to {number - 1} (got {port})"
            )
        if port in used:
            raise ScenarioError(f"health.spare_{what}: port {port} has a connection in this run")
    return np.asarray(spare, dtype=np.int64)


def _connected(
    switch: SwitchParams,
    seed: int,
    inputs: NDArray[np.int64],
    outputs: NDArray[np.int64],
    pairs: NDArray[np.int64],
    aim_before: Array,
) -> tuple[Array, Array, Array, CoupledBeams]:
    """Return aims (M, 2), aligned loss (C,), loss forms (C, 4, 4), and the beams.

    Mirrors that carry no light keep the aim they had.
    """
    connected = links(switch, seed, inputs, outputs)
    aim = aim_before.copy()
    aim[pairs[:, 0]] = connected.connections.tilt_a_rad
    aim[pairs[:, 1]] = connected.connections.tilt_b_rad
    rows = beams(switch, seed, inputs, outputs, connected)
    return aim, connected.losses.aligned_db, connected.form_db, rows
