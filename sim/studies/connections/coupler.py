"""Couplings of many connections at once, by the compiled kernel or by the plain one."""

from collections.abc import Callable
from importlib import import_module
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.foundations.ports import Array
from sim.kernels.installed import NEEDED
from sim.optics.beams import collimator_rows, edge_points, mirror_rows
from sim.optics.build_errors import BuiltSwitch
from sim.optics.couplings import couple

Ports = NDArray[np.int64]
FEW: Final = 1024
"""A switch with so many connections or fewer is done before a compiled kernel is loaded."""
FINE_FROM_DB: Final = 10.0
"""Beams that miss by so much are taken with `FINE` times as many points on the edges. 16 points are
good to 3e-5 dB below 10 dB, and out by 3 dB at 50 dB; 64 are good to 1e-6 dB at 100 dB. [dB]"""
FINE: Final = 4


class Couplings(NamedTuple):
    """C connections with the tilts that they have."""

    tilt_rad: Array
    """(C, 4) of the mirrors, as Ax, Ay, Bx, By. [rad]"""
    path_m: Array
    """(C,) collimator to collimator. [m]"""
    incidence_rad: Array
    """(C, 2) on mirrors A and B. [rad]"""
    mode_db: Array
    curvature_db: Array
    pointing_db: Array
    clipping_db: Array
    band_db: Array
    """(C, W) all that shares the beam, at each wavelength; the four above at the first. [dB]"""


class Coupler:
    """A built switch, laid out for the kernel."""

    def __init__(
        self, built: BuiltSwitch, mirror_radius_m: float, wavelengths_m: Array, scales: Array
    ) -> None:
        """Lay out a switch.

        Parameters
        ----------
        built : BuiltSwitch
            Where its parts stand.
        mirror_radius_m : float
            Of the mirrors' faces. [m]
        wavelengths_m, scales : (W,) ndarray
            Wavelengths [m], and factors on all waists; the first is that of the data.
        """
        self.built = built
        self._arrays = (
            mirror_rows(built.a), mirror_rows(built.b), collimator_rows(built.source),
            collimator_rows(built.sink),
        )  # fmt: skip
        self._edge = edge_points(built.geometry.incidence_rad)
        self._fine_edge = edge_points(built.geometry.incidence_rad, FINE)
        self._light = (np.asarray(wavelengths_m, dtype=float), np.asarray(scales, dtype=float))
        self._radius_m = mirror_radius_m
        small = built.geometry.ports_per_side * built.geometry.ports_out <= FEW
        self._couple: Callable[..., None] = couple if small else _compiled() or couple

    def couple(
        self, inputs: Ports, outputs: Ports, change_rad: Array, *, from_rest: bool = False,
        band: bool = True,
    ) -> Couplings:  # fmt: skip
        """Return what connections lose with tilts (C, 4) from their aim, or from rest. [rad]

        Without `band`, at the data wavelength alone.
        """
        light = self._light if band else tuple(each[:1] for each in self._light)
        out = np.empty((len(inputs), 11))
        loss = np.empty((len(inputs), len(light[0])))
        self._fill(inputs, outputs, change_rad, from_rest, self._edge, light, (out, loss))
        dim = np.flatnonzero(loss[:, 0] > FINE_FROM_DB)
        if dim.size:
            finer = (np.empty((dim.size, 11)), np.empty((dim.size, loss.shape[1])))
            self._fill(
                inputs[dim], outputs[dim], change_rad[dim], from_rest, self._fine_edge, light, finer
            )
            out[dim], loss[dim] = finer
        mode, curvature, pointing, clipping = out[:, 7:].T
        return Couplings(
            out[:, :4], out[:, 4], out[:, 5:7], mode, curvature, pointing, clipping, loss
        )

    def _fill(
        self, inputs: Ports, outputs: Ports, change_rad: Array, from_rest: bool, edge: Array,
        light: tuple[Array, ...], to: tuple[Array, Array],
    ) -> None:  # fmt: skip
        """Let the kernel write into two arrays, with points on the mirrors' edges."""
        geometry = self.built.geometry
        self._couple(
            np.ascontiguousarray(inputs), np.ascontiguousarray(outputs),
            np.ascontiguousarray(change_rad), from_rest, *self._arrays, geometry.receiver_x,
            geometry.waist_to_receiver_m, self._radius_m, edge, *light, *to,
        )  # fmt: skip


def _compiled() -> Callable[..., None] | None:
    """Return the compiled form of `couple`, or None where numba is not installed."""
    try:
        return import_module("sim.kernels.compiled.couplings").couple  # type: ignore[no-any-return]
    except ModuleNotFoundError as exc:
        if (exc.name or "").partition(".")[0] not in NEEDED:
            raise
        return None
