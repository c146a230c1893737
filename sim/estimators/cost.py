"""What each estimator asks of the firmware: arithmetic and memory per spot, by counting.

The counts are of the shortest honest implementation on a small processor, one spot at a time, not
of this project's code, which works on whole fleets. Conventions, all round figures of ours:

- one multiply, add, compare or mixture of a multiply and an add is one *multiply-add*;
- one division, square root, exponential or error function is `FUNCTION_COST` of them;
- the frame streams in row by row; an estimator that looks again has to keep it, at 2 bytes a pixel;
- an accumulator, coefficient or intermediate number is 4 bytes; exact sums are 8;
- iterations are counted at `WEIGHTED_STEPS` and `FIT_STEPS`, what the demo spot needs; their limit
  may be higher.
"""

from typing import Final, NamedTuple

FUNCTION_COST: Final = 20
"""Multiply-adds of a division, square root, exponential or error function. [-]"""
WEIGHTED_STEPS: Final = 4
FIT_STEPS: Final = 5
"""Steps that nearly all demo spots need, as those above; a test holds the code to them. [-]"""

PIXEL_BYTES = 2
NUMBER_BYTES = 4
SUM_BYTES = 8
SOLVE_4 = 44
"""Multiply-adds of a symmetric 4 x 4 system: 4^3/6 + 4^2 + lower orders, without divisions."""


class Cost(NamedTuple):
    """Per spot and frame."""

    multiply_adds: int
    bytes: int


def thresholded_centroid_cost(height: int, width: int) -> Cost:
    """Return the cost of that estimator; see `sim.estimators.firmware_cost`."""
    return Cost(5 * height * width + 2 * FUNCTION_COST, 3 * SUM_BYTES)


def quad_cell_cost(height: int, width: int) -> Cost:
    """Return the cost of that estimator; see `sim.estimators.firmware_cost`."""
    return Cost(height * width + 12 + 4 * FUNCTION_COST, 4 * NUMBER_BYTES)


def log_peak_cost(height: int, width: int) -> Cost:
    """Return the cost of that estimator; see `sim.estimators.firmware_cost`."""
    return Cost(height * width + 12 + 8 * FUNCTION_COST, 3 * width * PIXEL_BYTES + 8 * NUMBER_BYTES)


def matched_filter_cost(height: int, width: int) -> Cost:
    """Return the cost of that estimator; see `sim.estimators.firmware_cost`."""
    pixels = height * width
    memory = pixels * (PIXEL_BYTES + NUMBER_BYTES) + 13 * NUMBER_BYTES
    return Cost(_start(height, width) + 12 + 8 * FUNCTION_COST, memory)


def weighted_centroid_cost(height: int, width: int) -> Cost:
    """Return the cost of that estimator; see `sim.estimators.firmware_cost`."""
    pixels, sides = height * width, height + width
    step = sides * (FUNCTION_COST + 3) + 2 * pixels + 3 * height + 2 * FUNCTION_COST
    total = _start(height, width) + WEIGHTED_STEPS * step
    return Cost(total, pixels * (PIXEL_BYTES + NUMBER_BYTES) + 2 * sides * NUMBER_BYTES)


def gaussian_fit_cost(height: int, width: int) -> Cost:
    """Return the cost of that estimator; see `sim.estimators.firmware_cost`."""
    pixels, sides = height * width, height + width
    step = _profiles(sides) + 3 * pixels + 4 * height + 9 * sides + SOLVE_4 + 4 * FUNCTION_COST
    total = _start(height, width) + FIT_STEPS * step
    return Cost(total, pixels * (PIXEL_BYTES + NUMBER_BYTES) + (2 * sides + 32) * NUMBER_BYTES)


def poisson_fit_cost(height: int, width: int) -> Cost:
    """Return the cost of that estimator; see `sim.estimators.firmware_cost`."""
    pixels, sides = height * width, height + width
    step = _profiles(sides) + (13 + FUNCTION_COST) * pixels + 12 * height
    step += SOLVE_4 + 4 * FUNCTION_COST
    total = _start(height, width) + FIT_STEPS * step
    memory = pixels * (PIXEL_BYTES + NUMBER_BYTES) + (2 * sides + 2 * width + 32) * NUMBER_BYTES
    return Cost(total, memory)


def components_cost(height: int, width: int) -> Cost:
    """Return the cost of that estimator; see `sim.estimators.firmware_cost`."""
    pixels = height * width
    memory = pixels * (PIXEL_BYTES + 1) + 10 * NUMBER_BYTES * max(pixels // 4, 1)
    return Cost(28 * pixels + 2 * FUNCTION_COST, memory)


def _start(height: int, width: int) -> int:
    """Separable correlation with 13 taps each way, and the largest value."""
    return 27 * height * width


def _profiles(sides: int) -> int:
    """Profile and slope along both axes: an error function and an exponential per pixel side."""
    return sides * (2 * FUNCTION_COST + 4)
