"""A few mirrors by themselves: the kernels driven directly, without camera and controller."""

from types import ModuleType
from typing import Any

import numpy as np

from sim.foundations.ports import Array
from sim.kernels import compiled
from sim.mirror.drive import DriveParams
from sim.mirror.motion import Asked, Forcing, Moving
from sim.mirror.population import MirrorParams, draw_population
from sim.mirror.propagator import make_drive, make_fleet

MIRROR: dict[str, Any] = {
    "resonance_hz": (700.0, 760.0),
    "quality": (8.0, 8.0),
    "cubic_per_rad2": (0.0, 0.0),
    "cross_axis": (0.0, 0.0),
    "imbalance_rad_s2_per_m_s2": ((0.0, 0.0, 0.0), (0.0, 0.0, 0.0)),
    "travel_mrad": (75.0, 75.0),
    "resonance_spread_pct": 0.0,
    "quality_spread_pct": 0.0,
    "gain_spread_pct": 0.0,
    "imbalance_spread_rad_s2_per_m_s2": 0.0,
    "alignment_urad": 0.0,
}
DRIVE: dict[str, Any] = {
    "comb": "push_pull",
    "bits": 24,
    "full_scale_v": 180.0,
    "full_scale_mrad": 85.0,
    "update_khz": 20.0,
    "amplifier_khz": 4.0,
    "slew_v_per_us": 1e6,
    "noise_uv_per_rthz": 0.0,
    "calibration_error_pct": 0.0,
}


class Rig:
    """Mirrors and drive at rest; keyword arguments replace single nominal values."""

    def __init__(
        self,
        mirrors: tuple[int, ...] = (0,),
        substeps: int = 1,
        kernels: ModuleType = compiled,
        **changes: Any,
    ) -> None:
        mirror = MirrorParams(**{k: changes.get(k, v) for k, v in MIRROR.items()})
        self.params = DriveParams(**{k: changes.get(k, v) for k, v in DRIVE.items()})
        assert not set(changes) - set(MIRROR) - set(DRIVE)
        self.kernels = kernels
        self.mirrors = np.array(mirrors)
        self.drive = make_drive(self.params, substeps)
        self.population = draw_population(
            mirror, self.mirrors, 7, self.params.calibration_error_pct
        )
        self.fleet = make_fleet(mirror, self.population, self.params.gain, self.drive)
        m = len(mirrors)
        self.moving = Moving(*np.zeros((3, 2, m)), np.zeros(m, np.int64))

    @property
    def tick_s(self) -> float:
        """Drive tick. [s]"""
        return self.drive.step_s * self.drive.substeps

    def run(
        self,
        path: Array,
        acceleration: Array | None = None,
        rest: Array | None = None,
        noise: Array | None = None,
    ) -> Array:
        """Follow `path` (N, 2) or (N, 2, M) [rad]; return tilt (N + 1, 2, M) [rad]."""
        m = len(self.mirrors)
        path = np.ascontiguousarray(
            np.broadcast_to(path if path.ndim == 3 else path[..., None], (len(path), 2, m)), float
        )
        n = len(path)
        history = np.zeros((n + 1, 2, m))
        history[0] = self.moving.tilt
        zero = np.zeros((2, m))
        self.kernels.advance(
            self.moving, history, 0, n, Asked(path, zero, zero, n),
            Forcing(
                np.zeros((n + 1, 3)) if acceleration is None else acceleration,
                zero if rest is None else rest, zero if rest is None else rest, 0.0, 0.0,
                np.zeros((0, 2, m), np.float32) if noise is None else noise,
            ),
            self.fleet, self.drive,
        )  # fmt: skip
        return history


def held(x_rad: float, y_rad: float, n_ticks: int) -> Array:
    """Return the path (N, 2) of a command held. [rad]"""
    return np.tile([x_rad, y_rad], (n_ticks, 1))


def on_codes(path_rad: Array) -> Array:
    """Return a path moved onto the codes of the 24-bit push-pull drive, 10 nrad apart. [rad]"""
    code_rad = 85e-3 / 2**23
    return code_rad * np.round(path_rad / code_rad)
