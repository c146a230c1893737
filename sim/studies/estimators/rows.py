"""One row for each estimator at each point of each axis."""

import time
from collections.abc import Callable, Sequence
from types import ModuleType
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from sim.camera.settings import CameraParams, nominal_belief
from sim.estimators import EstimatorKind
from sim.foundations.ports import SpotStatus
from sim.studies.estimators.bound import frame_bound_px
from sim.studies.estimators.cases import GROUPS, ComparisonCase
from sim.studies.estimators.frames import TestFrames, frames_of
from sim.studies.estimators.score import Score, score, wrong_beyond_px
from sim.studies.estimators.settings import Entrant

Row = dict[str, Any]
TIMED_FRAMES = 192
TIMED_CALLS = 3
LINEAR_PX = 0.05
LINEAR_FAILURES = 0.01
UNITS: Final[dict[str, str]] = {
    "estimator": "name",
    "axis": "which axis of the comparison the row belongs to",
    "value": "place on that axis",
    "signal_e": "electrons of the whole spot",
    "spot_sigma_px": "true spot sigma",
    "background_e": "true background and dark signal, e-/px",
    "read_noise_e": "e- rms",
    "window_px": "height, width",
    "motion_px": "path during the exposure",
    "offset_px": "distance of the spots' middle from the window's middle",
    "frames": "frames with a spot",
    "bias_rms_px": "rms over positions of the mean error",
    "bias_x_px": "mean error along x",
    "scatter_px": "standard deviation about each position's mean",
    "bound_px": "Cramer-Rao bound of these frames, rms over positions",
    "efficiency": "(bound / scatter)^2; above 1 only for a biased reading",
    "gain": "move of the reading per move of the spot",
    "corrected_px": "error left once the straight line is calibrated out",
    "merit": "bound / corrected; bias does not flatter it",
    "rms_error_px": "bias and scatter together",
    "failure_rate": "spots that were not read",
    "dim_rate": "of the frames, read DIM",
    "edge_rate": "of the frames, read EDGE",
    "failed_rate": "of the frames, read FAILED",
    "wrong_rate": "read OK, but beyond half a pixel and five bounds from the truth",
    "false_accept_rate": "empty frames that were read OK",
    "linear_range_px": "distance from the middle up to which bias and failures stay small",
    "time_us": "per spot, this code on this machine",
    "multiply_adds": "per spot, counted for a firmware",
    "memory_bytes": "per spot, counted for a firmware",
}
"""The keys of a row, in order, and what they mean."""


def comparison_rows(
    entrants: Sequence[Entrant],
    points: Sequence[ComparisonCase],
    seed: int,
    kernels: ModuleType,
    tell: Callable[[int, int], None] | None = None,
    *,
    timed: bool = True,
) -> list[Row]:
    """Read the frames of every case with every estimator.

    Parameters
    ----------
    entrants : sequence of Entrant
        Who takes part.
    points : sequence of Case
        What to read.
    seed : int
        Names the frames' random numbers.
    kernels : module
        The camera's kernels.
    tell : callable, optional
        Called with (finished cases, all cases).
    timed : bool
        Whether reading is timed as well.

    Returns
    -------
    list of dict
        With the keys of `UNITS`; None where a figure does not exist.
    """
    rows: list[Row] = []
    for number, case in enumerate(points):
        frames = frames_of(case, number, seed, kernels)
        bound_px = case_bound_px(case, frames)
        for entrant in entrants:
            rows.append(_row(entrant, case, frames, bound_px, timed))
        if tell is not None:
            tell(number + 1, len(points))
    return _with_linear_range(rows)


def case_bound_px(case: ComparisonCase, frames: TestFrames) -> float:
    """Return the bound of a case's frames, rms over positions and axes. [px]"""
    bound = frame_bound_px(frames.path_px, case.camera)
    return float(np.sqrt(np.mean(bound**2)))


def _row(
    entrant: Entrant, case: ComparisonCase, frames: TestFrames, bound_px: float, timed: bool
) -> Row:
    settings = entrant.settings_for(case.designed)
    belief = nominal_belief(case.designed)
    result = score(
        entrant.read(frames.with_spot_dn, settings, belief),
        frames.truth_px,
        GROUPS,
        wrong_beyond_px(bound_px),
    )
    empty = entrant.read(frames.empty_dn, settings, belief)
    time_us = None
    if timed:
        time_us = timed_us(lambda f: entrant.read(f, settings, belief), frames.with_spot_dn)
    return {
        "estimator": entrant.name,
        "axis": case.axis,
        "value": case.value,
        **camera_columns(case.camera),
        "motion_px": case.motion_px,
        "offset_px": case.offset_px,
        **score_columns(result, bound_px),
        "false_accept_rate": float(np.mean(empty.status == SpotStatus.OK)),
        "linear_range_px": None,
        "time_us": time_us,
        **cost_columns(entrant.part, case.camera.window_px),
    }


def camera_columns(camera: CameraParams) -> Row:
    """Return what a row says of its camera."""
    return {
        "signal_e": camera.signal_e,
        "spot_sigma_px": camera.spot_sigma_px,
        "background_e": camera.background_e + camera.dark_e,
        "read_noise_e": camera.read_noise_e,
        "window_px": list(camera.window_px),
    }


def score_columns(result: Score, bound_px: float | None) -> Row:
    """Return what a row says of the readings; the ratios with care for nothing and none."""
    columns = result._asdict()
    scatter, corrected = result.scatter_px, result.corrected_px
    order = {
        "frames": columns.pop("frames"),
        "bias_rms_px": columns.pop("bias_rms_px"),
        "bias_x_px": columns.pop("bias_x_px"),
        "scatter_px": columns.pop("scatter_px"),
        "bound_px": bound_px,
        "efficiency": (bound_px / scatter) ** 2 if bound_px and scatter else None,
        "gain": columns.pop("gain"),
        "corrected_px": columns.pop("corrected_px"),
        "merit": bound_px / corrected if bound_px and corrected else None,
        "rms_error_px": columns.pop("rms_error_px"),
    }
    return order | columns


def cost_columns(part: EstimatorKind, window_px: tuple[int, int]) -> Row:
    """Return the counted cost; None for an estimator that states none."""
    if part.cost is None:
        return {"multiply_adds": None, "memory_bytes": None}
    cost = part.cost(*window_px)
    return {"multiply_adds": cost.multiply_adds, "memory_bytes": cost.bytes}


def timed_us(read: Callable[[NDArray[np.int32]], Any], frames_dn: NDArray[np.int32]) -> float:
    """Return the time per spot, the best of a few calls with a fleet of frames. [us]"""
    fleet = frames_dn[:TIMED_FRAMES]
    best = np.inf
    for _ in range(TIMED_CALLS):
        start = time.perf_counter()
        read(fleet)
        best = min(best, time.perf_counter() - start)
    return 1e6 * best / len(fleet)


def _with_linear_range(rows: list[Row]) -> list[Row]:
    """Fill in the linear range of the rows of the camera as it is."""
    for row in rows:
        if row["axis"] == "nominal":
            own = [r for r in rows if r["estimator"] == row["estimator"]]
            steps = [r for r in own if r["axis"] == "offset"]
            row["linear_range_px"] = linear_range_px(steps) if steps else None
    return rows


def linear_range_px(steps: Sequence[Row]) -> float:
    """Return the last distance before bias or failures grow: `LINEAR_PX`, `LINEAR_FAILURES`."""
    reach = 0.0
    for row in sorted(steps, key=lambda r: float(r["value"])):
        bias = row["bias_x_px"]
        if bias is None or abs(bias) > LINEAR_PX or row["failure_rate"] > LINEAR_FAILURES:
            break
        reach = float(row["value"])
    return reach
