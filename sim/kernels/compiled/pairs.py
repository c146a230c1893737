"""x and y side by side, as traces keep them."""

from sim.kernels.compilation import inlined
from sim.kernels.vectors import N, first_half, interleave, load_some, second_half, store_some

HALF = N // 2


@inlined
def store_pairs(array, row, start, count, x, y):  # type: ignore[no-untyped-def]
    """Write to `array` (T, M, 2)."""
    both = interleave(x, y)
    store_some(array, (row, start, 0), 2 * count, first_half(both))
    if count > HALF:
        store_some(array, (row, start + HALF, 0), 2 * count - N, second_half(both))


@inlined
def add_pairs(array, row, start, count, x, y):  # type: ignore[no-untyped-def]
    """Add to `array` (T, M, 2)."""
    both = interleave(x, y)
    here = load_some(array, (row, start, 0), 2 * count)
    store_some(array, (row, start, 0), 2 * count, here + first_half(both))
    if count > HALF:
        there = load_some(array, (row, start + HALF, 0), 2 * count - N)
        store_some(array, (row, start + HALF, 0), 2 * count - N, there + second_half(both))
