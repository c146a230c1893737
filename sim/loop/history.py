"""What surrounds the mirrors, played alone from the start of a run to its end."""

from collections.abc import Iterator

from sim.loop.parts import Parts
from sim.loop.plan import BLOCK_FRAMES
from sim.loop.surroundings import Environment, advance_surroundings, undisturbed


def environment_of(parts: Parts, block_frames: int = BLOCK_FRAMES) -> Iterator[Environment]:
    """Yield the surroundings of a run, block by block, as its loop will meet them."""
    state, n_frames = undisturbed(parts), parts.clock.n_frames
    for first in range(0, n_frames, block_frames):
        count = min(block_frames, n_frames - first)
        state, environment = advance_surroundings(parts, state, first, count)
        yield environment
