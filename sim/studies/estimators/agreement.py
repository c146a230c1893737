"""Recorded frames read by every estimator: scatter, agreement, and error where truth is known."""

from collections.abc import Sequence
from functools import partial
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.camera.settings import CameraParams, nominal_belief
from sim.foundations.ports import Array, SpotStatus
from sim.studies.estimators.belief_check import BeliefCheck, check_belief
from sim.studies.estimators.bound import frame_bound_px
from sim.studies.estimators.rows import Row, camera_columns, cost_columns, score_columns, timed_us
from sim.studies.estimators.score import score, wrong_beyond_px
from sim.studies.estimators.settings import Entrant


class Agreement(NamedTuple):
    """What recorded frames tell."""

    rows: list[Row]
    """As in a comparison; without truth, bias and wrong readings are None, scatter is over time."""
    differences_px: list[list[float | None]]
    """[i][j]: rms of the difference of estimators i and j, over frames that both read. [px]"""
    spots_px: Array
    """(E, M, 2) readings; NaN where not OK. [px]"""
    flux_dn: Array
    """(E, M) light of the readings. [DN]"""
    status: NDArray[np.uint8]
    """(E, M) SpotStatus."""
    checks: list[BeliefCheck]
    """The stated camera against the frames."""
    frames_dn: NDArray[np.int32]
    """(M, H, W) as read. [DN]"""


def compare_frames(
    entrants: Sequence[Entrant],
    frames_dn: NDArray[np.int32],
    camera: CameraParams,
    truth_px: Array | None = None,
) -> Agreement:
    """Read recorded frames with every estimator.

    Parameters
    ----------
    entrants : sequence of Entrant
        Who takes part.
    frames_dn : (M, H, W) ndarray of int32
        As read. [DN]
    camera : CameraParams
        The scenario's camera: settings and belief come from it, its window from the frames.
    truth_px : (M, 2) ndarray, optional
        True positions. [px]

    Returns
    -------
    Agreement

    Notes
    -----
    Scatter without truth is the rms of the difference of successive frames over the square root
    of two. That is the reading noise of a spot at rest or in slow drift; a spot that moves from
    frame to frame, or frames of different mirrors, make it meaningless. The bound is that of the
    scenario's camera with the frames' median light above its background. Settings are for the
    scenario's light, whatever the frames hold.
    """
    seen = camera.replace(window_px=frames_dn.shape[1:])
    belief = nominal_belief(seen)
    light_dn = np.median(frames_dn.sum(axis=(1, 2), dtype=np.int64))
    dark_dn = seen.black_dn + seen.gain_dn_per_e * (seen.background_e + seen.dark_e)
    signal_e = (float(light_dn) - dark_dn * frames_dn[0].size) / seen.gain_dn_per_e
    bound_px = None
    if signal_e > 0:
        middle = 0.5 * np.array([seen.window_px[1] - 1, seen.window_px[0] - 1])
        bound = frame_bound_px(middle[None, :, None], seen.replace(signal_e=signal_e))
        bound_px = float(np.sqrt(np.mean(bound**2)))
    rows, readings = [], []
    for entrant in entrants:
        settings = entrant.settings_for(seen)
        read = partial(entrant.read, settings=settings, belief=belief)
        reading = read(frames_dn)
        known = reading.spot_px if truth_px is None else truth_px
        result = score(reading, known, 1, wrong_beyond_px(bound_px or 0.0))
        row = {
            "estimator": entrant.name,
            "axis": "recorded",
            "value": None,
            **camera_columns(seen),
            "signal_e": signal_e if signal_e > 0 else None,
            "motion_px": None,
            "offset_px": None,
            **score_columns(result, bound_px),
            "false_accept_rate": None,
            "linear_range_px": None,
            "time_us": timed_us(read, frames_dn),
            **cost_columns(entrant.part, seen.window_px),
        }
        if truth_px is None:
            ok = reading.status == SpotStatus.OK
            row |= dict.fromkeys(
                ("bias_rms_px", "bias_x_px", "efficiency", "rms_error_px", "wrong_rate")
            )
            row["scatter_px"] = successive_scatter_px(reading.spot_px, ok)
        else:
            row["bias_rms_px"] = mean_bias_px(reading.spot_px - truth_px)
        rows.append(row)
        readings.append(reading)
    stack = np.stack([reading.spot_px for reading in readings])
    return Agreement(
        rows,
        [[_rms_px(a - b) for b in stack] for a in stack],
        stack,
        np.stack([reading.flux_dn for reading in readings]),
        np.stack([reading.status for reading in readings]),
        check_belief(frames_dn, seen, consensus_px(stack)),
        frames_dn,
    )


def consensus_px(spots_px: Array) -> Array:
    """Return the median (M, 2) of the estimators' readings (E, M, 2); NaN where none reads. [px]"""
    none: NDArray[np.bool_] = np.asarray(~np.isfinite(spots_px).any(axis=(0, 2)))
    safe = np.where(none[None, :, None], 0.0, spots_px)
    return np.asarray(np.where(none[:, None], np.nan, np.nanmedian(safe, axis=0)))


def mean_bias_px(error_px: Array) -> float | None:
    """Return the rms over the axes of the mean error of the frames that were read. [px]"""
    good = error_px[np.isfinite(error_px).all(axis=1)]
    return float(np.sqrt(np.mean(good.mean(axis=0) ** 2))) if len(good) else None


def successive_scatter_px(spot_px: Array, ok: NDArray[np.bool_]) -> float | None:
    """Return the rms difference of successive frames over the square root of two, per axis. [px]"""
    both = ok[1:] & ok[:-1]
    if not both.any():
        return None
    return float(np.sqrt(0.5 * np.mean(np.diff(spot_px, axis=0)[both] ** 2)))


def _rms_px(difference_px: Array) -> float | None:
    good = np.isfinite(difference_px).all(axis=1)
    return float(np.sqrt(np.mean(difference_px[good] ** 2))) if good.any() else None
