"""Windows that a run may never show: dim, at the edge, saturated, ghosts, hot pixels, extremes.

They are drawn without noise, from the scenario's camera: a spot integrated over pixels, background,
black level, full well, full scale. Where a verdict changes is found by halving.
"""

from collections.abc import Callable, Iterator
from typing import Any, NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray

from sim.camera.settings import CameraParams
from sim.estimators.spot_model import pixel_integrated
from sim.foundations.ports import Array, SpotStatus

HALVINGS = 40
GRID = 12
"""Places a pixel and axis of the spots in the middle."""
SATURATED = (2.5, 6.0, 40.0)
"""Light of saturated spots, over the scenario's; the last fills the window."""
GHOSTS = ((0.1, (4.0, 0.0)), (0.3, (-3.0, 3.0)), (0.6, (2.0, -4.0)), (1.0, (6.0, 5.0)))
"""(share of the spot's light, place against it [px])"""


class Reads(Protocol):
    """What is asked of an estimator here."""

    def read(self, pixels_dn: NDArray[np.int32]) -> Any:
        """Return a record with the `status` (M,) of windows."""
        ...


class Window(NamedTuple):
    """A window, and what it is there for."""

    what: str
    pixels_dn: NDArray[np.int32]
    """(H, W) [DN]"""
    rows: int | None = None
    """That arrive before the window ends; None: all."""


def windows_of(camera: CameraParams, estimator: Reads) -> list[Window]:
    """Return the windows for a camera; the estimator says where its verdict changes."""
    draw = _drawing(camera)
    return [
        *_spots(camera, draw), *_dim(camera, draw, estimator), *_edges(camera, draw, estimator),
        *_ghosts(camera, draw), *_hot(camera, draw), *_extremes(camera), *_partial(camera, draw),
    ]  # fmt: skip


Draw = Callable[..., NDArray[np.int32]]


def _drawing(camera: CameraParams) -> Draw:
    height, width = camera.window_px
    full = 2**camera.bits - 1

    def draw(*spots: tuple[float, float, float], hot: Array | None = None) -> NDArray[np.int32]:
        """Return the picture of spots (x, y [px], light over the scenario's)."""
        electrons = np.full((height, width), camera.background_e + camera.dark_e)
        for x, y, share in spots:
            picture = pixel_integrated(np.array([[x, y]]), camera.spot_sigma_px, (height, width))
            electrons = electrons + share * camera.signal_e * picture[0]
        if hot is not None:
            electrons = electrons + hot
        electrons = np.minimum(electrons, camera.full_well_e)
        dn = camera.black_dn + camera.gain_dn_per_e * electrons
        return np.clip(np.rint(dn), 0, full).astype(np.int32)

    return draw


def _middle(camera: CameraParams) -> tuple[float, float]:
    height, width = camera.window_px
    return (width - 1) / 2, (height - 1) / 2


def _spots(camera: CameraParams, draw: Draw) -> Iterator[Window]:
    x, y = _middle(camera)
    for i in range(GRID):
        for j in range(GRID):
            yield Window("spot", draw((x - 0.5 + i / GRID, y - 0.5 + j / GRID, 1.0)))
    for share in SATURATED:
        for dx in (0.0, 0.3, -1.4):
            yield Window("saturated", draw((x + dx, y - 0.7 * dx, share)))


def _dim(camera: CameraParams, draw: Draw, estimator: Reads) -> Iterator[Window]:
    """Darkness, and spots just below and just above the least light."""
    x, y = _middle(camera)
    yield Window("dim", draw())
    for dx in (0.0, 0.27, -1.6, 2.2):

        def spot(share: float, dx: float = dx) -> NDArray[np.int32]:
            return draw((x + dx, y - dx, share))

        yield from (Window("dim", w) for w in _around(spot, estimator, SpotStatus.DIM, 1.0, 0.0))


def _edges(camera: CameraParams, draw: Draw, estimator: Reads) -> Iterator[Window]:
    """Spots on their way over each edge and corner, and on both sides of the verdict."""
    x, y = _middle(camera)
    for right, down in ((1, 0), (-1, 0), (0, 1), (0, -1), (1, 1), (-1, 1), (1, -1), (-1, -1)):

        def spot(share: float, right: int = right, down: int = down) -> NDArray[np.int32]:
            return draw((x + share * right * x, y + share * down * y, 1.0))

        for share in (0.3, 0.6, 0.8, 1.0, 1.05):
            yield Window("edge", spot(share))
        yield from (Window("edge", w) for w in _around(spot, estimator, SpotStatus.EDGE, 0.0, 1.0))


def _around(
    spot: Callable[[float], NDArray[np.int32]], estimator: Reads, status: SpotStatus,
    without: float, having: float,
) -> list[NDArray[np.int32]]:  # fmt: skip
    """Return windows on both sides of where a verdict begins; none if it does not."""

    def judged(share: float) -> bool:
        return bool(estimator.read(spot(share)[None]).status[0] == status)

    if judged(without) or not judged(having):
        return []
    for _ in range(HALVINGS):
        middle = 0.5 * (without + having)
        if judged(middle):
            having = middle
        else:
            without = middle
    return [spot(without), spot(having)]


def _ghosts(camera: CameraParams, draw: Draw) -> Iterator[Window]:
    x, y = _middle(camera)
    for share, (dx, dy) in GHOSTS:
        for at in (0.0, 0.4):
            yield Window("ghost", draw((x + at, y, 1.0), (x + at + dx, y + dy, share)))


def _hot(camera: CameraParams, draw: Draw) -> Iterator[Window]:
    """One pixel at its full well: in the corners, on the edges, beside the spot and in it."""
    height, width = camera.window_px
    x, y = _middle(camera)
    rows = (0, height // 3, height // 2, height - 1)
    columns = (0, width // 3, width // 2, width - 1)
    for row in rows:
        for column in columns:
            hot = np.zeros((height, width))
            hot[row, column] = camera.full_well_e
            yield Window("hot pixel", draw((x + 0.2, y - 0.1, 1.0), hot=hot))
            yield Window("hot pixel", draw((x + 0.2, y - 0.1, 0.0), hot=hot))


def _partial(camera: CameraParams, draw: Draw) -> Iterator[Window]:
    """A spot in the middle of a window that ends early: before it, in it, behind it."""
    height = camera.window_px[0]
    for rows in (0, 1, height // 2, height // 2 + 3, height - 1):
        yield Window("rows missing", draw((*_middle(camera), 1.0)), rows)


def _extremes(camera: CameraParams) -> Iterator[Window]:
    """Sums at their ends: halves, edges and all of a window at full scale."""
    height, width = camera.window_px
    full = 2**camera.bits - 1
    rows, columns = np.mgrid[:height, :width]
    masks = [
        rows >= 0, rows < 0, columns >= width // 2, columns < width // 2, rows >= height // 2,
        rows < height // 2, (rows + columns) % 2 == 0, rows == 0, rows == height - 1, columns == 0,
        columns == width - 1, (rows == 0) & (columns == 0),
        (rows == height - 1) & (columns == width - 1),
    ]  # fmt: skip
    for mask in masks:
        yield Window("full scale", np.where(mask, full, 0).astype(np.int32))
