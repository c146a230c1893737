"""Calibrates a simulated switch, procedure by procedure, each with its own noise and time."""

from collections.abc import Callable
from typing import Final, NamedTuple

import numpy as np

from sim.assembly.build import Built, build
from sim.calibration import actuators, camera_map, dark, flat, photon_transfer
from sim.calibration.known import calibration_results, exact_beliefs
from sim.calibration.procedure import SENSORS, Cameras, Estimate
from sim.calibration.results import Beliefs, maps_of
from sim.calibration.settings import CalibrationParams
from sim.camera.lens import axis_px, corner_px
from sim.camera.pixel_correction import PixelMaps
from sim.camera.settings import believed, make_camera
from sim.foundations.errors import ScenarioError
from sim.foundations.files.text import counted
from sim.foundations.ports import Array, CameraBelief
from sim.loop.parts import Parts
from sim.scenario.model import Scenario

STAGES: Final = 5
PASSES: Final = 2
"""Staircases that give a camera's map: before the first, windows lie where the data sheet says."""


class Timed(NamedTuple):
    """What a procedure takes."""

    procedure: str
    frames: int
    waits: int
    seconds: float


class SimulatedCalibration(NamedTuple):
    """A calibration, and what is known of it because it was simulated."""

    settings: CalibrationParams
    beliefs: Beliefs
    """What the firmware gets; with maps of pixels where they differ."""
    truth: Beliefs
    cameras: Cameras
    estimates: tuple[Estimate, ...]
    times: tuple[Timed, ...]
    transfers: tuple[photon_transfer.Transfer, ...]
    maps: tuple[camera_map.CameraMap, ...]
    table: actuators.Actuators
    spread: actuators.Spread
    notes: tuple[str, ...]


def calibrate(
    scenario: Scenario, progress: Callable[[int, int], None] | None = None
) -> SimulatedCalibration:
    """Run every procedure on the switch of a scenario, as it is.

    Parameters
    ----------
    scenario : Scenario
        From `load_scenario`; results that its `calibration` names are not looked at.
    progress : callable, optional
        Called with (finished procedures, all procedures).

    Raises
    ------
    ScenarioError
        If there are no images to calibrate with, or a procedure cannot read its spots.
    """
    if scenario.camera.noise == "equivalent":
        raise ScenarioError('camera.noise: "equivalent" makes no images; calibrate with "fast"')
    settings = (scenario.calibration or CalibrationParams()).replace(results=None, maps=None)
    bare = scenario.replace(calibration=settings, spot_guard=None, disturbances=[])
    built = build(bare)
    tell = (lambda done: None) if progress is None else (lambda done: progress(done, STAGES))
    tell(0)
    cameras = _cameras(built)
    darks = tuple(dark.dark_frames(cameras, k, settings.dark_frames) for k in SENSORS)
    tell(1)
    flats = tuple(
        flat.flat_frames(cameras, k, settings, each) for k, each in zip(SENSORS, darks, strict=True)
    )
    tell(2)
    transfers = tuple(
        photon_transfer.photon_transfer(cameras, k, settings, each.bad)
        for k, each in zip(SENSORS, flats, strict=True)
    )
    tell(3)
    maps = _pixel_maps(cameras, darks, flats)
    camera = _camera_belief(cameras, darks, transfers)
    lens = _lens(scenario)
    seen = _seen_by(built, bare, cameras, settings, camera, maps, darks, transfers, lens)
    tell(4)
    rough = _beliefs(built, cameras, darks, transfers, seen, maps, None, None)
    rig = _rig(build(bare, beliefs=rough).parts, bare, settings)
    stairs = actuators.climb(rig, settings)
    tilts = np.stack([rig.believed_lens.tilts_rad(spots) for spots in stairs.spot_px])
    table = actuators.fit_actuators(stairs.asked_rad, tilts, rig.fleet.cubic)
    tell(5)
    population = built.parts.population
    scale_deviation = max(float(m.deviations[0]) / m.scale_px_per_mrad for m in seen)
    spread = actuators.spread_of(
        table, population.gain_ratio, population.cross_axis, scale_deviation
    )
    beliefs = _beliefs(built, cameras, darks, transfers, seen, maps, table, stairs.flux_dn)
    by = "plate of dots" if settings.camera_by == "grid" else "staircase"
    return SimulatedCalibration(
        settings, beliefs,
        exact_beliefs(cameras, scenario.seeds.population, built.parts.mirrors, population, lens,
              _known(stairs.flux_dn, 0.0)),
        cameras,
        (
            *dark.dark_estimates(cameras, settings, darks),
            *flat.flat_estimates(cameras, flats),
            *photon_transfer.transfer_estimates(cameras, transfers),
            *camera_map.map_estimates(cameras, seen, lens, by),
            *actuators.actuator_estimates(spread),
        ),
        _times(scenario, settings), transfers, seen, table, spread, _notes(built, settings, spread),
    )  # fmt: skip


def _cameras(built: Built) -> Cameras:
    parts = built.parts
    measurement = parts.measurement
    return Cameras(
        measurement.params, measurement.layout, measurement.pattern, parts.seed, parts.kernels
    )


def _lens(scenario: Scenario) -> tuple[float, float]:
    lens = scenario.lens
    return (0.0, 0.0) if lens is None else (lens.rotation_mrad, lens.distortion_pct)


def _pixel_maps(
    cameras: Cameras, darks: tuple[dark.DarkFrames, ...], flats: tuple[flat.FlatFrames, ...]
) -> PixelMaps:
    """Return the maps; of a camera whose pixels are alike, bad ones alone: there is no more."""
    bad = np.stack([each.bad for each in flats])
    if not cameras.params.patterned:
        return PixelMaps(bad, None, None)
    level = np.stack([each.level_dn - each.black_dn for each in darks])
    return PixelMaps(
        bad, np.where(bad, 0.0, level).astype(np.float32),
        np.stack([each.response for each in flats]).astype(np.float32),
    )  # fmt: skip


def _camera_belief(
    cameras: Cameras, darks: tuple[dark.DarkFrames, ...],
    transfers: tuple[photon_transfer.Transfer, ...],
) -> CameraBelief:  # fmt: skip
    return believed(make_camera(cameras.params))._replace(
        black_dn=float(np.mean([each.black_dn for each in darks])),
        gain_dn_per_e=float(np.mean([each.gain_dn_per_e for each in transfers])),
        read_noise_e=float(np.mean([each.dark_noise_e for each in transfers])),
        background_e=0.0,  # nothing shines on the plate but its own dots' light and the room's
    )


def _seen_by(
    built: Built, bare: Scenario, cameras: Cameras, settings: CalibrationParams,
    camera: CameraBelief, maps: PixelMaps, darks: tuple[dark.DarkFrames, ...],
    transfers: tuple[photon_transfer.Transfer, ...], lens: tuple[float, float],
) -> tuple[camera_map.CameraMap, ...]:  # fmt: skip
    """Return scale, rotation and distortion of both cameras, from the plate or the mirrors."""
    params = cameras.params
    try:
        if settings.camera_by == "grid":
            belief = camera._replace(background_e=params.background_e)
            return tuple(
                camera_map.plate(cameras, settings, k, belief, maps, lens) for k in SENSORS
            )
        nothing = camera_map.CameraMap(params.scale_px_per_mrad, 0.0, 0.0, np.zeros(3), 0.0, 0)
        seen: tuple[camera_map.CameraMap, ...] = (nothing, nothing)
        for k in range(PASSES):
            rough = _beliefs(built, cameras, darks, transfers, seen, maps, None, None)
            rig = _rig(build(bare, beliefs=rough).parts, bare, settings)
            stairs = actuators.climb(rig, settings, (1 + k) * 100_000)
            seen = _maps_by_stairs(built.parts, rig, stairs, cameras)
        return seen
    except ValueError as exc:
        raise ScenarioError(f"calibration: {camera_map.NAME}: {exc}") from exc


def _maps_by_stairs(
    parts: Parts, rig: actuators.Rig, stairs: actuators.Staircase, cameras: Cameras
) -> tuple[camera_map.CameraMap, ...]:
    """Fit both cameras to the mirrors' own steps, as the nominal drive has them."""
    layout, mirrors = cameras.layout, parts.mirrors
    still = np.zeros_like(rig.fleet.cross)
    tilts = np.stack(
        [actuators.equilibrium(a.T, still, rig.fleet.cubic) for a in stairs.asked_rad]
    )
    home = (layout.centre(mirrors) - axis_px(layout)).astype(np.float64)
    found = []
    for sensor in SENSORS:
        of = layout.sensor(mirrors) == sensor
        ok = np.isfinite(stairs.spot_px).all(axis=2) & of
        step, mirror = np.nonzero(ok)
        if len(np.unique(mirror)) < 3:
            raise ValueError(f"spots of array {'AB'[sensor]} could not be read at their steps")
        found.append(
            camera_map.fit_map(
                home[mirror], 1e3 * tilts[step, mirror],
                stairs.spot_px[step, mirror] + home[mirror], corner_px(layout), mirror,
                shifted=False,
            )
        )  # fmt: skip
    return tuple(found)


def _rig(parts: Parts, scenario: Scenario, settings: CalibrationParams) -> actuators.Rig:
    """Return mirrors and cameras, the latter as they are believed by now."""
    assert parts.lens is not None and parts.believed_lens is not None
    least_mrad = min(scenario.drive.full_scale_mrad, *scenario.mirror.travel_mrad)
    return actuators.Rig(
        parts.fleet, parts.drive, scenario.drive.gain,
        1e-5 * settings.step_reach_pct * least_mrad, parts.lens, parts.believed_lens,
        parts.measurement,
    )  # fmt: skip


def _beliefs(
    built: Built, cameras: Cameras, darks: tuple[dark.DarkFrames, ...],
    transfers: tuple[photon_transfer.Transfer, ...], seen: tuple[camera_map.CameraMap, ...],
    maps: PixelMaps, table: actuators.Actuators | None, flux_dn: Array | None,
) -> Beliefs:  # fmt: skip
    """Return what is known so far; a mirror that could not be read is taken to be nominal."""
    mirrors = built.parts.mirrors
    nominal = np.ones((len(mirrors), 2))
    sensors = [
        {
            "black_dn": each.black_dn, "gain_dn_per_e": transfer.gain_dn_per_e,
            "read_noise_e": transfer.dark_noise_e, "scale_px_per_mrad": picture.scale_px_per_mrad,
            "rotation_mrad": picture.rotation_mrad, "distortion_pct": picture.distortion_pct,
        }
        for each, transfer, picture in zip(darks, transfers, seen, strict=True)
    ]  # fmt: skip
    results = calibration_results(
        cameras, built.resolved.seeds.population, sensors, maps.bad, mirrors,
        nominal if table is None else _known(table.gain, 1.0),
        0 * nominal if table is None else _known(table.cross_axis, 0.0),
        np.zeros(len(mirrors)) if flux_dn is None else _known(flux_dn, 0.0),
    )  # fmt: skip
    arrays = None
    if maps.dark_dn is not None and maps.response is not None:
        arrays = {"dark_dn": maps.dark_dn, "response": maps.response}
    return Beliefs(results, maps_of(results, cameras.layout, arrays))


def _known(values: Array, otherwise: float) -> Array:
    return np.where(np.isfinite(values), values, otherwise)


def _times(scenario: Scenario, settings: CalibrationParams) -> tuple[Timed, ...]:
    """Return what each procedure takes: both cameras at once, all mirrors at once."""
    frame_s, lamp_s = 1.0 / scenario.camera.frame_hz, 1e-3 * settings.lamp_ms
    ring_s = actuators.wait_s(scenario.mirror.resonance_hz, scenario.mirror.quality)
    steps = 2 * settings.steps
    climb = Timed(
        actuators.NAME, steps * settings.step_frames, steps,
        float(steps * (ring_s + settings.step_frames * frame_s)),
    )  # fmt: skip
    pairs = 2 * settings.levels
    picture = (
        Timed(camera_map.NAME, settings.grid_frames, 1, lamp_s + settings.grid_frames * frame_s)
        if settings.camera_by == "grid"
        else climb._replace(
            procedure=camera_map.NAME, frames=PASSES * climb.frames, waits=PASSES * climb.waits,
            seconds=PASSES * climb.seconds,
        )
    )
    return (
        Timed(dark.NAME, settings.dark_frames, 1, lamp_s + settings.dark_frames * frame_s),
        Timed(flat.NAME, settings.flat_frames, 1, lamp_s + settings.flat_frames * frame_s),
        Timed(
            photon_transfer.NAME, pairs, settings.levels, settings.levels * lamp_s + pairs * frame_s
        ),
        picture,
        climb,
    )


def _notes(
    built: Built, settings: CalibrationParams, spread: actuators.Spread
) -> tuple[str, ...]:
    notes = []
    if len(spread.unread):
        names = built.parts.mirrors[spread.unread][:8].tolist()
        notes.append(
            f"{counted(len(spread.unread), 'mirror')} could not be read at enough steps and taken "
            f"to be nominal: {names}"
        )
    if settings.camera_by == "staircase":
        notes.append(
            "The camera's scale is known by the nominal drive alone: the mean gain of the drives "
            "goes into it, and out of the table of the actuators again."
        )
    return tuple(notes)
