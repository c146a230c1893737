"""The scenario's own gains beside the chosen ones: curves that the page of `tune` draws."""

from typing import Any, Final, NamedTuple

import numpy as np

from controllers.analysis.linear_loop import Loop, frequency_grid, time_response
from sim.foundations.ports import Array
from sim.studies.margins.candidate import Candidate
from sim.studies.margins.judge import GainJudge
from sim.studies.margins.margins import own_sensitivity
from sim.studies.margins.move import moved_of
from sim.studies.margins.predict import densities_of
from sim.studies.margins.settling import followed

POINTS: Final = 400
SHOWN_MS: Final = 12.0
"""Least time for which steps and corrections are drawn. [ms]"""


class GainCurves(NamedTuple):
    """Of one set of gains, as the page draws it."""

    name: str
    frequency_hz: Array
    """(F,) [Hz]"""
    sensitivity: Array
    """(F, 2) largest over the loops, and median. [-]"""
    time_ms: Array
    """(K,) frames after a step, or after the command. [ms]"""
    step: Array
    """(K, 2) reading after a unit step of the tilt, lowest and highest of the loops. [-]"""
    band_hz: Array
    """(B,) [Hz]"""
    cumulative_urad: Array
    """(B,) radial rms of all below a frequency; what is above half the frame rate comes last.
    [urad]"""
    correction_v: Array
    """(K, 2) size of the correction after the last command: largest of all axes, and median. [V]"""
    settling_ms: Array
    """(M,) sorted, of the mirrors that move. [ms]"""


def curves_of(judge: GainJudge, name: str, c: Candidate) -> GainCurves | None:
    """Return the curves of a candidate; None for an unstable one."""
    if not c.each.settling_ms.size or not np.isfinite(c.jitter_rad):
        return None
    loop = judge.loop(c.settings)
    grid = frequency_grid(loop, POINTS)
    size = own_sensitivity(loop, grid).reshape(len(grid), -1)
    sent = followed(judge.worlds[0].move(c.shaping), loop).correction_rad
    frame_ms = 1e3 * loop.plant.frame_s
    slowest = max(c.each.settling_ms[np.isfinite(c.each.settling_ms)], default=0.0)
    frames = int(np.clip(max(1.2 * slowest, SHOWN_MS) / frame_ms, 2, len(sent)))
    unit = np.ones((frames, *sent.shape[1:]))
    step = time_response(loop, unit).reading.reshape(frames, -1)
    volts = np.abs(sent[:frames] * _volts_per_rad(judge)).reshape(frames, -1)
    moved = moved_of(judge.built)
    return GainCurves(
        name,
        grid,
        np.stack([size.max(axis=1), np.asarray(np.median(size, axis=1))], axis=-1),
        np.asarray(frame_ms * np.arange(frames), dtype=float),
        np.stack([step.min(axis=1), step.max(axis=1)], axis=-1),
        judge.spectra.frequency_hz,
        1e6 * _cumulative_rad(judge, loop, c),
        np.stack([volts.max(axis=1), np.median(volts, axis=1)], axis=-1),
        np.sort(c.each.settling_ms[moved]),
    )


def _cumulative_rad(judge: GainJudge, loop: Loop, c: Candidate) -> Array:
    """Radial rms (B,), mean over mirrors, of all contributors up to each frequency. [rad]

    What the DAC's steps have in common with the rest is spread as all the rest is.
    """
    spectra = judge.spectra
    density: Any = sum(densities_of(judge.built, loop, spectra))
    width = spectra.width_hz[:, None, None]
    square = np.cumsum((density * width).sum(axis=-1).mean(axis=-1))
    together = judge.prediction(c.settings).total_rad ** 2 / square[-1] if square[-1] > 0 else 1.0
    return np.asarray(np.sqrt(together * square))


def _volts_per_rad(judge: GainJudge) -> Array:
    """Drive voltage (M, 2) for a small change of the static tilt, about the last aims. [V/rad]"""
    parts = judge.built.parts
    gain = parts.fleet.believed_gain.T
    if not parts.drive.square:
        return np.asarray(1.0 / gain)
    volt = np.sqrt(np.maximum(np.abs(parts.epochs[-1].aim_rad / gain), parts.drive.lsb_v**2))
    return np.asarray(0.5 / (gain * volt))
