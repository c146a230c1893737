"""Which block of work a thread takes next."""

from sim.kernels.compilation import step
from sim.kernels.vectors import take

NONE = 1 << 40
"""More than any number of blocks."""


@step
def next_block(queue):  # type: ignore[no-untyped-def]
    """Take the next block of a queue, see `sim.kernels.threads.share`; `NONE` if it is empty."""
    at = 1 + take(queue)
    return queue[at] if at < queue.size else NONE
