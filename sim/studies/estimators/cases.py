"""The axes of the comparison: which cameras, which spots, and what the settings were made for."""

from collections.abc import Callable, Iterable, Sequence
from typing import Any, NamedTuple

import numpy as np

from sim.camera.conditions import WeightsParams
from sim.camera.places import spread
from sim.camera.settings import CameraParams
from sim.estimators.spot_model import axis_profile
from sim.foundations.errors import ScenarioError, nearest
from sim.foundations.ports import Array
from sim.studies.estimators.clipping import SPREAD_PX

GROUPS = 32
"""Positions of a case. [-]"""
REPEATS = 32
"""Frames of each position. [-]"""
PATH_SAMPLES = 16
SIGNAL = (0.025, 0.05, 0.1, 0.25, 0.5, 1.0)
WIDTH = (0.4, 0.6, 0.8, 1.0, 1.4, 2.0)
DIM = (0.75, 0.5, 0.25, 0.1)
DEFOCUS = (0.8, 1.2, 1.5, 2.0)
BACKGROUND = (0.0, 0.5, 1.0, 2.5, 5.0, 10.0)
BACKGROUND_STEP_E = (-10.0, 5.0, 20.0, 50.0)
WINDOW_PX = (8, 12, 16, 24, 32)
MOTION_PX = (0.5, 1.0, 2.0, 4.0, 8.0)
SATURATION = (1.5, 2.0, 4.0, 8.0)
GHOST_PCT = (1.0, 2.0, 5.0, 10.0, 20.0)
GHOST_SIGMA = 10 / 3
"""Distance of the ghost from its spot. [spot sigmas]"""
GHOST_DIRECTION = (0.8, 0.6)
HOT_PCT = (0.02, 0.1, 0.5)
DEAD_PCT = (0.1, 0.5)
PRNU_PCT = (0.5, 1.0, 2.0)
SPILL_PX = (8.0, 4.0, 2.0, 0.0)
"""Distance of the neighbours' middle beyond the window's edge. [px]"""
PHASES_PX = tuple(k / 8 for k in range(-4, 5))
MOST_OFFSETS = 18
LEAST_PITCH_PX = 8


class ComparisonCase(NamedTuple):
    """One point of one axis."""

    axis: str
    value: float | None
    """Where on the axis; None for the scenario's camera as it is."""
    camera: CameraParams
    """What takes the frames."""
    designed: CameraParams
    """What settings and the firmware's belief are made for."""
    motion_px: float = 0.0
    """Length of the straight path during the exposure. [px]"""
    offset_px: float = 0.0
    """Distance of the spots' middle from the window's middle, along x. [px]"""
    phase_px: float | None = None
    """Fixed place along x from the window's middle; None: spread. [px]"""


class CaseAxis(NamedTuple):
    """An axis in words."""

    title: str
    unit: str
    adapted: bool
    """Whether settings and belief are made anew for each point; the scenario's own estimator
    keeps its settings all the same."""


AXES: dict[str, CaseAxis] = {
    "nominal": CaseAxis("the scenario's camera", "", True),
    "signal": CaseAxis("light of the spot", "e-", True),
    "spot_width": CaseAxis("spot sigma, as designed", "px", True),
    "background": CaseAxis("background, known", "e-/px", True),
    "window": CaseAxis("window side", "px", True),
    "dim": CaseAxis("light of the spot, settings unchanged", "e-", False),
    "defocus": CaseAxis("spot sigma, settings unchanged", "px", False),
    "background_step": CaseAxis("change of background, settings unchanged", "e-/px", False),
    "motion": CaseAxis("motion during the exposure", "px", False),
    "saturation": CaseAxis("too much light, settings unchanged", "e-", False),
    "ghost": CaseAxis("ghost's share of the light, settings unchanged", "%", False),
    "hot_pixels": CaseAxis("share of hot pixels, each as bright as the spot's peak", "%", False),
    "dead_pixels": CaseAxis("share of dead pixels", "%", False),
    "prnu": CaseAxis("photo response non-uniformity", "%", False),
    "spill": CaseAxis("neighbours' spots beyond the window's edge", "px", False),
    "phase": CaseAxis("place within a pixel, along x", "px", False),
    "offset": CaseAxis("distance from the window's middle, along x", "px", False),
}


class JudgedPoint(NamedTuple):
    """A point that the recommendation goes by."""

    name: str
    """As in `sim.camera.conditions.WeightsParams`; "nominal" for the camera as it is."""
    axis: str
    value: float | None
    weight: float
    fixed: bool
    """Whether what it adds differs from window to window and stays: an error that the loop follows,
    though it looks like scatter when windows are compared."""


def conditions(camera: CameraParams, weights: WeightsParams) -> list[JudgedPoint]:
    """Return the conditions that count, the camera as it is first; those of weight 0 do not."""
    found = [JudgedPoint("nominal", "nominal", None, 1.0, False)]
    for name, value, fixed in (
        ("ghost", GHOST_PCT[2], False),
        ("hot_pixels", HOT_PCT[1], True),
        ("dead_pixels", DEAD_PCT[0], True),
        ("prnu", PRNU_PCT[1], True),
        ("spill", SPILL_PX[2], True),
        ("defocus", DEFOCUS[1] * camera.spot_sigma_px, False),
        ("background_step", BACKGROUND_STEP_E[1], False),
        ("motion", MOTION_PX[2], False),
        ("dim", DIM[1] * camera.signal_e, False),
    ):
        weight = getattr(weights, name)
        if weight > 0:
            found.append(JudgedPoint(name, name, value, weight, fixed))
    return found


def positions_px(case: ComparisonCase, groups: int = GROUPS) -> Array:
    """Return the mean positions (G, 2) of a case's spots, in window pixels. [px]

    Spread evenly within 1 px of the window's middle along both axes, which is where the loop
    keeps them; along x within half a pixel of `offset_px` where the case has one.
    """
    height, width = case.camera.window_px
    about = spread(groups, SPREAD_PX)
    if case.phase_px is not None:
        about[:, 0] = case.phase_px
    elif case.offset_px:
        about[:, 0] *= 0.5 / SPREAD_PX
    return 0.5 * np.array([width - 1, height - 1]) + [case.offset_px, 0.0] + about


def paths_px(case: ComparisonCase, groups: int = GROUPS) -> Array:
    """Return the paths (S, 2, G) of a case's spots over the exposure. [px]

    Straight, each position in a direction of its own; the mean of the path is the position.
    """
    position = positions_px(case, groups)
    if case.motion_px == 0:
        return np.ascontiguousarray(position.T[None])
    angle = np.pi * (3 - np.sqrt(5)) * np.arange(groups)
    along = ((np.arange(PATH_SAMPLES) + 0.5) / PATH_SAMPLES - 0.5) * case.motion_px
    return position.T + along[:, None, None] * np.stack([np.cos(angle), np.sin(angle)])


def nominal(camera: CameraParams) -> ComparisonCase:
    """Return the scenario's camera as it is."""
    return ComparisonCase("nominal", None, camera, camera)


def judged_points(camera: CameraParams) -> list[ComparisonCase]:
    """Return all points of all axes about the scenario's camera, the camera as it is first."""
    found = [nominal(camera)]

    def designed(axis: str, value: float, **changes: Any) -> None:
        changed = camera.replace(**changes)
        found.append(ComparisonCase(axis, value, changed, changed))

    def unadapted(axis: str, value: float, **changes: Any) -> None:
        found.append(ComparisonCase(axis, value, camera.replace(**changes), camera))

    for factor in SIGNAL:
        designed("signal", factor * camera.signal_e, signal_e=factor * camera.signal_e)
    for factor in WIDTH:
        sigma = factor * camera.spot_sigma_px
        designed("spot_width", sigma, spot_sigma_px=sigma)
    for factor in BACKGROUND:
        level = factor * max(camera.background_e, 1.0)
        designed("background", level, background_e=level)
    for side in WINDOW_PX:
        designed("window", side, window_px=(side, side))
    for factor in DIM:
        unadapted("dim", factor * camera.signal_e, signal_e=factor * camera.signal_e)
    for factor in DEFOCUS:
        sigma = factor * camera.spot_sigma_px
        unadapted("defocus", sigma, spot_sigma_px=sigma)
    for step in BACKGROUND_STEP_E:
        if camera.background_e + step >= 0:
            unadapted("background_step", step, background_e=camera.background_e + step)
    for factor in SATURATION:
        unadapted("saturation", factor * camera.signal_e, signal_e=factor * camera.signal_e)
    _faults(camera, unadapted)
    for length in MOTION_PX:
        found.append(ComparisonCase("motion", length, camera, camera, motion_px=length))
    for phase in PHASES_PX:
        found.append(ComparisonCase("phase", phase, camera, camera, phase_px=phase))
    for offset in offsets_px(camera.window_px[1]):
        found.append(ComparisonCase("offset", offset, camera, camera, offset_px=offset))
    return found


def _faults(camera: CameraParams, unadapted: Callable[..., None]) -> None:
    """Add the points of stray light and of bad pixels."""
    beside = tuple(GHOST_SIGMA * camera.spot_sigma_px * part for part in GHOST_DIRECTION)
    peak_e = camera.signal_e * float(axis_profile(0.0, camera.spot_sigma_px, 1)[0, 0]) ** 2
    # Fixed patterns are drawn for the whole sensor: fields no larger than need be save time.
    fields = {} if camera.spill else {"pitch_px": max(*camera.window_px, LEAST_PITCH_PX) + 4}
    for percent in GHOST_PCT:
        unadapted("ghost", percent, ghost_pct=percent, ghost_offset_px=beside)
    for percent in HOT_PCT:
        unadapted("hot_pixels", percent, hot_pixels_pct=percent, hot_e=peak_e, **fields)
    for percent in DEAD_PCT:
        unadapted("dead_pixels", percent, dead_pixels_pct=percent, **fields)
    for percent in PRNU_PCT:
        unadapted("prnu", percent, prnu_pct=percent, **fields)
    for beyond in SPILL_PX:
        pitch = camera.window_px[1] // 2 + round(beyond)
        if LEAST_PITCH_PX <= pitch:
            unadapted("spill", beyond, spill=True, pitch_px=pitch)


def offsets_px(width: int) -> list[float]:
    """Return distances from the middle to a pixel beyond the window's edge, in whole steps. [px]"""
    step = -(-(width // 2 + 1) // MOST_OFFSETS)
    return [float(k) for k in range(step, width // 2 + 2, step)]


def same_point(case: ComparisonCase, axis: str, value: float | None) -> bool:
    """Return whether a case is at a place on an axis, but for rounding."""
    if case.axis != axis or case.value is None or value is None:
        return case.axis == axis and case.value is value
    return abs(case.value - value) < 1e-9 * max(1.0, abs(value))


def chosen_cases(
    found: Sequence[ComparisonCase], axes: Iterable[str], points: Iterable[str]
) -> list[ComparisonCase]:
    """Return the camera as it is, and the cases of some axes and single points.

    Parameters
    ----------
    found : sequence of ComparisonCase
        All that there are.
    axes : iterable of str
        Names of axes.
    points : iterable of str
        Each "axis=value".

    Raises
    ------
    ScenarioError
        If an axis or a point does not exist.
    """
    wanted = {"nominal"}
    for axis in axes:
        _known_axis(axis, "--axes")
        wanted.add(axis)
    single = []
    for text in points:
        axis, equals, value = text.partition("=")
        _known_axis(axis, "--points")
        try:
            single.append((axis, float(value)))
        except ValueError:
            raise ScenarioError(f'--points: needs "axis=value" (got {text!r})') from None
        if not any(same_point(case, *single[-1]) for case in found):
            values = ", ".join(f"{c.value:g}" for c in found if c.axis == axis)
            raise ScenarioError(f"--points {text}: no such point; {axis} has {values}")
    return [
        case
        for case in found
        if case.axis in wanted or any(same_point(case, *point) for point in single)
    ]


def _known_axis(axis: str, option: str) -> None:
    if axis not in AXES:
        raise ScenarioError(
            f'{option}: unknown axis "{axis}".{nearest(axis, AXES)} Known: {", ".join(AXES)}.'
        )
