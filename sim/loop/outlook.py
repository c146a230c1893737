"""The inputs of the next stretch of frames; none depends on what the loop does in it."""

from collections.abc import Callable
from typing import NamedTuple

from sim.kernels.threads import beside
from sim.loop.frame_path import FramePath, paths_ahead
from sim.loop.health import next_order
from sim.loop.parts import Parts
from sim.loop.plan import RESONANCE_STEP, Planner, Stretch, resonance_due
from sim.loop.reference import ReferenceState
from sim.loop.state import LoopState
from sim.loop.stopwatch import Laps, TimedStage, lap
from sim.loop.surroundings import Environment, SurroundingsBlock, SurroundingsState, block_of
from sim.mirror.propagator import Fleet, Nodes, with_resonance_change
from sim.optics.epochs import Epoch


class Mirrors(NamedTuple):
    """The mirrors, made for a relative change of their resonance."""

    change: float
    fleet: Fleet
    nodes: Nodes
    """Propagators that those of other changes follow from."""


class Outlook(NamedTuple):
    """All inputs of one stretch, and their state after it."""

    stretch: Stretch
    environment: Environment
    """What surrounds the mirrors in its frames."""
    paths: tuple[FramePath, ...]
    """One that holds for all frames, or one for each."""
    mirrors: Mirrors
    epoch: Epoch
    """Where the mirrors should be, and the losses if they are not."""
    reference: ReferenceState
    """After the stretch."""
    surroundings: SurroundingsState
    """After it, at the start of the block that the next frame lies in."""
    block: SurroundingsBlock
    """The block that the stretch lies in."""
    next_block: Callable[[], SurroundingsBlock] | None
    """Gives the one after it; other threads work it out while the loop runs. None: it is the last
    one."""

    def path(self, k: int) -> FramePath:
        """Return the path of the k-th frame."""
        return self.paths[k if len(self.paths) > 1 else 0]


def look_ahead(
    parts: Parts, planner: Planner, state: LoopState, before: Outlook | None, laps: Laps
) -> Outlook:
    """Return what the stretch that begins at a state is given.

    `before` is the outlook on the stretch before it, if there was one: the block of surroundings
    and the mirrors are made again only if they no longer fit.
    """
    frame = state.frame
    if before is None:
        block = block_of(parts, state.surroundings, frame)
    elif frame < before.block.end or before.next_block is None:
        block = before.block
    else:
        block = before.next_block()
    resonance = block.resonance_from(frame)
    made = mirrors_at(parts, state.resonance_change) if before is None else before.mirrors
    if abs(resonance[0] - made.change) > RESONANCE_STEP:
        made = mirrors_at(parts, float(resonance[0]), made.nodes)
    stretch = planner.next(
        frame,
        resonance_due(frame, resonance, made.change),
        moving=parts.reference.next_move(state.reference, frame) == frame,
        order=next_order(state.health),
    )
    lap(laps, TimedStage.SURROUNDINGS)
    reference, paths = paths_ahead(parts, state.reference, stretch)
    lap(laps, TimedStage.PATH)
    if before is not None and block is before.block:
        next_block = before.next_block
    elif block.end < planner.end:
        next_block = beside(block_of, parts, block.after, block.end)
    else:
        next_block = None
    return Outlook(
        stretch,
        block.part(stretch, parts.clock.ticks_per_frame),
        paths,
        made,
        epoch_at(parts, frame),
        reference,
        block.after if stretch.end == block.end else state.surroundings,
        block,
        next_block,
    )


def mirrors_at(parts: Parts, change: float, nodes: Nodes | None = None) -> Mirrors:
    """Return the mirrors with every resonance changed by a relative amount.

    `nodes` are those of mirrors at another change.
    """
    if change == 0.0:
        return Mirrors(change, parts.fleet, {} if nodes is None else nodes)
    return Mirrors(
        change,
        *with_resonance_change(parts.fleet, parts.population, change, parts.drive, nodes),
    )


def epoch_at(parts: Parts, frame: int) -> Epoch:
    """Return the epoch that a frame lies in."""
    begun = [
        epoch
        for epoch, first in zip(parts.epochs, parts.epoch_frames, strict=True)
        if first <= frame
    ]
    return begun[-1]
