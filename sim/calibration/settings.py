"""How a switch is calibrated, and which results its firmware goes by."""

from typing import Annotated, Literal

from pydantic import Field

from sim.foundations.params import Block, between

Frames = Annotated[int, Field(ge=2, le=4096)]


class CalibrationParams(Block):
    """What `mirrorloop calibrate` does, and which of its results the loop believes.

    Valid for a switch at rest, at the reference temperature. No disturbance acts during a
    procedure.
    """

    results: str | None = None
    """A file of results, "calibration.json" as `calibrate` writes it: the firmware goes by them
    instead of by data sheet and drawn calibration errors. None: not calibrated yet. [-]"""
    maps: str | None = None
    """The arrays that belong to them, "calibration_maps.npz": dark level and response of each
    pixel, by which windows are corrected. None: bad pixels alone are replaced. [-]"""
    dark_frames: Frames = 32
    """Frames in the dark. [-]"""
    flat_frames: Frames = 32
    """Frames under even light. [-]"""
    flat_level_pct: Annotated[float, between(1.0, 95.0)] = 50.0
    """Level of the even light, against saturation. [%]"""
    levels: Annotated[int, Field(ge=4, le=256)] = 16
    """Levels of light of the photon transfer, a pair of frames at each, up to 95 % of saturation.
    [-]"""
    lamp_ms: Annotated[float, between(0.0, 1e6)] = 500.0
    """Wait after each change of light. [ms]"""
    camera_by: Literal["grid", "staircase"] = "grid"
    """What gives scale, rotation and distortion: a plate of dots in the mirrors' place, or the
    mirrors themselves, whose tilts are then known by the nominal drive alone. [-]"""
    grid_dots: tuple[Annotated[int, Field(ge=3, le=200)], Annotated[int, Field(ge=3, le=200)]] = (
        9, 13,
    )  # fmt: skip
    """Dots on the plate, (rows, columns), spread over the sensor. [-]"""
    grid_frames: Annotated[int, Field(ge=1, le=4096)] = 16
    """Frames of the plate. [-]"""
    grid_tolerance_pct: Annotated[float, between(0.0, 10.0)] = 0.02
    """Standard deviation of the plate's own scale; no number of frames averages it out. [%]"""
    steps: Annotated[int, Field(ge=2, le=64)] = 5
    """Steps of the staircase along each axis, from end to end. [-]"""
    step_frames: Annotated[int, Field(ge=1, le=4096)] = 16
    """Frames at each step, after the ringing. [-]"""
    step_reach_pct: Annotated[float, between(1.0, 100.0)] = 60.0
    """End of the staircase, against the smaller of drive and travel. [%]"""
    scale_tolerance_pct: Annotated[float, between(0.0, 20.0)] = 1.0
    """How far the data sheet's scale is off the camera as built: what is believed where the camera
    is not calibrated. [%]"""
    gain_tolerance_pct: Annotated[float, between(0.0, 50.0)] = 5.0
    """The same for the data sheet's system gain. [%]"""
