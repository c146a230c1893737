"""What each estimator asks of the firmware: arithmetic and memory per spot, by counting.

The counts are of the shortest honest implementation on a small processor, one spot at a time, not
of this project's code, which works on whole fleets. Conventions, all round figures of ours:

- one multiply, add, compare or mixture of a multiply and an add is one *multiply-add*;
- one division, square root, exponential or error function is `FUNCTION_COST` of them;
- the frame streams in row by row; an estimator that looks again has to keep it, at 2 bytes a pixel;
- an accumulator, coefficient or intermediate number is 4 bytes; exact sums are 8;
- iterations are counted at `ITERATIONS`, what the demo spot needs; their limit may be higher.
"""

from collections.abc import Callable
from typing import Final, NamedTuple

from sim.registry import nearest

FUNCTION_COST: Final = 20
"""Multiply-adds of a division, square root, exponential or error function. [-]"""
ITERATIONS: Final = {"weighted_centroid": 4, "gaussian_fit": 5, "poisson_fit": 5}
"""Steps that nearly all demo spots need; a test holds the code to them. [-]"""

PIXEL_BYTES = 2
NUMBER_BYTES = 4
SUM_BYTES = 8
SOLVE_4 = 44
"""Multiply-adds of a symmetric 4 x 4 system: 4^3/6 + 4^2 + lower orders, without divisions."""


class Cost(NamedTuple):
    """Per spot and frame."""

    multiply_adds: int
    bytes: int


def firmware_cost(name: str, window: tuple[int, int]) -> Cost:
    """Return arithmetic and memory per spot of an estimator.

    Misleads as any count does: it knows nothing of vector units, caches or memory bandwidth.
    Use it to rank, then measure.

    Parameters
    ----------
    name : str
        A shipped estimator.
    window : (int, int)
        Window (H, W). [px]

    Returns
    -------
    Cost
        Multiply-adds, and bytes beyond the code itself.

    Raises
    ------
    ValueError
        If the estimator is unknown or the window has no pixels.

    Notes
    -----
    With P = H W pixels, S = H + W, f = `FUNCTION_COST`, k iterations:

    - thresholded centroid: subtract, clip, three sums: 5 P; 2 divisions. Three exact sums.
    - quad cell: one sum, 1 P; background, four differences, 2 divisions and 2 inverse error
      functions. Four sums.
    - log peak: one compare, 1 P; 6 logarithms, 2 divisions, 12 more. Keeps three rows, since the
      row below the peak must still come and the row above it has gone by.
    - matched filter: profile of the spot along rows then along columns, each cut at 2 R + 1 = 13
      taps: 26 P, compare P; then as log peak. Keeps the frame as read and its correlation.
    - weighted centroid: matched filter's start (27 P), then k times: weights 2 S exponentials'
      arguments and values, S (f + 3); row sums 2 P; column sums 3 H; two divisions. Keeps the frame
      and 2 S weights.
    - Gaussian fit: start 27 P, then k times: profile and slope, S (2 f + 4); row sums of two
      functions and one plain sum, 3 P; column sums 4 H; 9 products of axis functions, 9 S; a 4 x 4
      system. Keeps frame and 2 S functions.
    - Poisson fit: start 27 P, then k times: profile and slope; model 2 P, one division f P, excess
      2 P; row sums of weight with six products and of excess with three functions, 9 P; column
      sums 12 H; a 4 x 4 system. Keeps frame and 2 S functions, one row of weights.
    - components: ring maximum 8 P, median of hot suspects (few, left out), subtract and clip 2 P,
      peak P, two passes of labels with four neighbours each 8 P, table look-up P, statistics 8 P;
      2 divisions. Keeps the frame, a 1-byte label per pixel, and ten numbers for each of at most
      P / 4 regions.
    """
    if name not in _COSTS:
        raise ValueError(f'unknown estimator "{name}".{nearest(name, _COSTS)}')
    height, width = window
    if height < 1 or width < 1:
        raise ValueError(f"window must have pixels, got {window}")
    return _COSTS[name](height, width)


def _thresholded_centroid(height: int, width: int) -> Cost:
    return Cost(5 * height * width + 2 * FUNCTION_COST, 3 * SUM_BYTES)


def _quad_cell(height: int, width: int) -> Cost:
    return Cost(height * width + 12 + 4 * FUNCTION_COST, 4 * NUMBER_BYTES)


def _log_peak(height: int, width: int) -> Cost:
    return Cost(height * width + 12 + 8 * FUNCTION_COST, 3 * width * PIXEL_BYTES + 8 * NUMBER_BYTES)


def _matched_filter(height: int, width: int) -> Cost:
    pixels = height * width
    memory = pixels * (PIXEL_BYTES + NUMBER_BYTES) + 13 * NUMBER_BYTES
    return Cost(_start(height, width) + 12 + 8 * FUNCTION_COST, memory)


def _weighted_centroid(height: int, width: int) -> Cost:
    pixels, sides = height * width, height + width
    step = sides * (FUNCTION_COST + 3) + 2 * pixels + 3 * height + 2 * FUNCTION_COST
    total = _start(height, width) + ITERATIONS["weighted_centroid"] * step
    return Cost(total, pixels * (PIXEL_BYTES + NUMBER_BYTES) + 2 * sides * NUMBER_BYTES)


def _gaussian_fit(height: int, width: int) -> Cost:
    pixels, sides = height * width, height + width
    step = _profiles(sides) + 3 * pixels + 4 * height + 9 * sides + SOLVE_4 + 4 * FUNCTION_COST
    total = _start(height, width) + ITERATIONS["gaussian_fit"] * step
    return Cost(total, pixels * (PIXEL_BYTES + NUMBER_BYTES) + (2 * sides + 32) * NUMBER_BYTES)


def _poisson_fit(height: int, width: int) -> Cost:
    pixels, sides = height * width, height + width
    step = _profiles(sides) + (13 + FUNCTION_COST) * pixels + 12 * height
    step += SOLVE_4 + 4 * FUNCTION_COST
    total = _start(height, width) + ITERATIONS["poisson_fit"] * step
    memory = pixels * (PIXEL_BYTES + NUMBER_BYTES) + (2 * sides + 2 * width + 32) * NUMBER_BYTES
    return Cost(total, memory)


def _components(height: int, width: int) -> Cost:
    pixels = height * width
    memory = pixels * (PIXEL_BYTES + 1) + 10 * NUMBER_BYTES * max(pixels // 4, 1)
    return Cost(28 * pixels + 2 * FUNCTION_COST, memory)


def _start(height: int, width: int) -> int:
    """Separable correlation with 13 taps each way, and the largest value."""
    return 27 * height * width


def _profiles(sides: int) -> int:
    """Profile and slope along both axes: an error function and an exponential per pixel side."""
    return sides * (2 * FUNCTION_COST + 4)


_COSTS: Final[dict[str, Callable[[int, int], Cost]]] = {
    "components": _components,
    "gaussian_fit": _gaussian_fit,
    "log_peak": _log_peak,
    "matched_filter": _matched_filter,
    "poisson_fit": _poisson_fit,
    "quad_cell": _quad_cell,
    "thresholded_centroid": _thresholded_centroid,
    "weighted_centroid": _weighted_centroid,
}
