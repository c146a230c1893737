"""Firmware in C in the simulated loop: compiled to a library, called for the whole fleet at once.

It runs as any program does, with all its rights, and a fault of it (an address that is not its own)
ends this program. What goes in and out are words, so the loop is the one of whole numbers.
"""

import ctypes
import shutil
import tempfile
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.firmware.codes import CodedDrive
from sim.firmware.compiling import compiled_library
from sim.firmware.controller import words_in
from sim.firmware.folder import Folder
from sim.firmware.q_format import QFormat
from sim.firmware.rounding import Whole
from sim.firmware.spots.estimator import reading_of
from sim.firmware.spots.verdict import SpotWords
from sim.foundations.errors import PlugInError, ScenarioError
from sim.foundations.files.text import counted
from sim.foundations.kinds.outside import sum_of_sources
from sim.foundations.params import Block
from sim.foundations.ports import Array, CameraBelief, Setpoint, SpotReading, TiltReading
from sim.mirror.propagator import Drive

_libraries: dict[str, ctypes.CDLL] = {}
"""By the hash of what they are compiled from."""
PIXEL_MOST = 65_535


class NativeParams(Block):
    """Firmware in C has no settings: they are in its headers."""


class NativePart(NamedTuple):
    """A folder of firmware as a part of a scenario; nothing of it has run yet."""

    folder: Folder
    Params: type[NativeParams] = NativeParams
    pixel_sums: None = None
    cost: None = None
    derived: None = None

    def window_fault(self, window_px: tuple[int, int]) -> str | None:
        """Return why a window cannot be read, or None."""
        own = self.folder.port.estimator.window_px
        if tuple(window_px) == own:
            return None
        return f"is compiled for windows of {own[0]} x {own[1]} pixels"


class NativeState(NamedTuple):
    """What the C remembers, as it keeps it."""

    memory: NDArray[np.uint8]
    """(M, bytes of a mirror's state)"""


def library_of(folder: Folder) -> ctypes.CDLL:
    """Compile a firmware, once for as long as its files do not change, and load it.

    Raises
    ------
    CompilerError
        If there is no compiler, or it refuses.
    """
    key = f"{folder.path} {sum_of_sources(folder.path)}"
    if key not in _libraries:
        work = Path(tempfile.mkdtemp(prefix="mirrorloop-"))
        try:
            sources = [folder.path / name for name in folder.port.sources]
            includes = [folder.path / name for name in folder.port.includes]
            compiled_library(sources, includes, work / "firmware.so")
            _libraries[key] = ctypes.CDLL(str(work / "firmware.so"))
        finally:
            shutil.rmtree(work, ignore_errors=True)
        _libraries[key].port_state_bytes.restype = ctypes.c_size_t
    return _libraries[key]


def at(array: NDArray[Any]) -> ctypes.c_void_p:
    """Return where an array begins."""
    return ctypes.c_void_p(array.ctypes.data)


def int32_words(values: Whole) -> NDArray[np.int32]:
    """Return words as the C has them.

    Raises
    ------
    PlugInError
        If one is longer.
    """
    words = np.ascontiguousarray(values, dtype=np.int32)
    if not np.array_equal(words, values):
        longest = int(np.asarray(values).flat[np.abs(values).argmax()])
        raise PlugInError(f"firmware in C has words of 32 bits, and one takes more (got {longest})")
    return words


def refuse_other_mirrors(folder: Folder, mirrors: NDArray[np.int64]) -> None:
    """Refuse a firmware that is made for other mirrors than a run's (M,).

    Raises
    ------
    ScenarioError
        If it is.
    """
    own = folder.port.controller.mirrors
    if own != tuple(mirrors.tolist()):
        raise ScenarioError(
            f"{folder.path} is made for {counted(len(own), 'mirror')}, and its calibration and "
            f"coefficients are theirs; the run has {len(mirrors)} or other ones"
        )


class NativeController:
    """The law of a firmware in C."""

    def __init__(self, folder: Folder, *, mirrors: NDArray[np.int64], scale_px_per_rad: float):
        """Compile it.

        Parameters
        ----------
        folder : Folder
            Of the firmware.
        mirrors : (M,) ndarray of int
            Those of the run.
        scale_px_per_rad : float
            Of the camera. [px/rad]

        Raises
        ------
        ScenarioError
            If it is made for other mirrors, or another camera.
        CompilerError
            If it cannot be compiled.
        """
        port = folder.port.controller
        self.kind = f"c:{folder.path}"
        self.folder = folder
        self.drive = folder.port.drive
        refuse_other_mirrors(folder, mirrors)
        if abs(1e3 * port.scale_px_per_mrad / scale_px_per_rad - 1) > 1e-9:
            raise ScenarioError(
                f"{folder.path} is made for camera.scale_px_per_mrad = {port.scale_px_per_mrad:g} "
                f"(the run has {1e-3 * scale_px_per_rad:g})"
            )
        self.correction = QFormat(port.correction_bits, port.correction_fraction)
        self.position_fraction = port.position_fraction
        self.scale_px_per_rad = scale_px_per_rad
        self.library = library_of(folder)
        self._bytes = int(self.library.port_state_bytes())

    def initial_state(self, n_mirrors: int) -> NativeState:
        """Return the state before the first frame."""
        return self._started(np.zeros((n_mirrors, 2), np.int32))

    def hand_over(self, correction_rad: Array) -> NativeState:
        """Return the state that takes over from a standing correction (M, 2) [rad]."""
        words = self.correction.nearest(correction_rad * self.scale_px_per_rad)
        return self._started(int32_words(words))

    def step(
        self, state: NativeState, reading: TiltReading, setpoint: Setpoint
    ) -> tuple[NativeState, Array]:
        """Return (next state, correction (M, 2) [rad])."""
        given = words_in(
            reading, setpoint, fraction=self.position_fraction, correction=self.correction,
            scale_px_per_rad=self.scale_px_per_rad,
        )  # fmt: skip
        memory = state.memory.copy()
        granted = np.zeros(given.position.shape, np.int32)
        seen = given.seen[:, 0].astype(np.uint8)
        asked = (given.position, given.reference, given.lowest, given.highest)
        position, reference, lowest, highest = (int32_words(words) for words in asked)
        self.library.port_step(
            len(memory), at(memory), at(position), at(seen), at(reference), at(lowest),
            at(highest), at(granted),
        )  # fmt: skip
        return NativeState(memory), self.correction.value(granted) / self.scale_px_per_rad

    def _started(self, standing: NDArray[np.int32]) -> NativeState:
        memory = np.zeros((len(standing), self._bytes), np.uint8)
        self.library.port_start(len(memory), at(memory), at(standing))
        return NativeState(memory)


class NativeDrive(CodedDrive):
    """The way to the DAC of a firmware in C."""

    def __init__(self, controller: NativeController, *, believed_gain: Array, drive: Drive) -> None:
        """Hold what the folder was made for against the drive of the run.

        Raises
        ------
        ScenarioError
            If the DAC has other codes, or the combs another law.
        """
        port = controller.drive
        theirs = (port.lowest, port.highest, port.square)
        ours = (-int(drive.codes), int(drive.codes) - 1, drive.square)
        if theirs != ours:
            raise ScenarioError(
                f"{controller.kind[2:]} is made for codes from {port.lowest} to {port.highest}, "
                f"{_law(port.square)} (the run has {ours[0]} to {ours[1]}, {_law(drive.square)})"
            )
        self._library = controller.library
        self.fraction, self.square = controller.correction.fraction, drive.square
        self._px_per_rad = controller.scale_px_per_rad
        step = drive.lsb_v**2 if drive.square else drive.lsb_v
        self._rad_per_code = believed_gain * step
        self.warnings = (
            *_own_coefficients(controller),
            *_other_calibration(controller, self._px_per_rad * self._rad_per_code),
        )

    def codes(self, path: Whole, correction: Whole) -> Whole:
        """Return codes (T, 2, M) for the path's words (T or 1, 2, M) and the correction (2, M)."""
        paths, standing = int32_words(path), int32_words(correction)
        codes = np.zeros(paths.shape, np.int32)
        self._library.port_drive(
            len(paths), len(paths), standing.shape[-1], at(paths), at(standing), at(codes)
        )
        return codes.astype(np.int64)


def _law(square: bool) -> str:
    return "tilt as the square of the code" if square else "tilt in proportion to the code"


def _own_coefficients(controller: NativeController) -> tuple[str, ...]:
    """Return what is to be said of coefficients that are made for each mirror."""
    if not controller.folder.port.controller.each_its_own:
        return ()
    return (
        f"{controller.kind}: its law has coefficients for each mirror, those of the switch that it "
        "was made for; the run's own are not known to it, so that they are not compared. After a "
        "change of the population or of the law's settings write it again with `mirrorloop "
        "firmware`.",
    )


def _other_calibration(controller: NativeController, px_per_code: Array) -> tuple[str, ...]:
    """Return what is to be said if the folder's codes are those of another calibration.

    Parameters
    ----------
    controller : NativeController
        Of the folder.
    px_per_code : (2, M) ndarray
        Tilt of a code, or of a squared one, as the run believes it. [px]
    """
    words = np.array(controller.drive.codes_per_px, np.int64).T
    apart = np.ldexp(words.astype(float), -controller.drive.fraction) * px_per_code - 1.0
    if (np.abs(apart) <= 0.51 / np.maximum(words, 1)).all():  # the rounding of a word, and a hair
        return ()
    axis, column = np.unravel_index(int(np.abs(apart).argmax()), apart.shape)
    return (
        f"{controller.kind}: was made with another calibration of the drive than this run's; its "
        f"codes per pixel differ by up to {100 * apart[axis, column]:+.2g} % (column {column} of "
        f"the fleet, along {'xy'[axis]}), and the mirrors get the folder's. If that is not meant, "
        "write it again with `mirrorloop firmware`.",
    )


class _Seen(NamedTuple):
    """The window that positions are about the middle of."""

    width: int
    height: int
    position: QFormat
    light_fraction: int


class NativeEstimator:
    """The estimator of a firmware in C."""

    def __init__(self, folder: Folder) -> None:
        """Compile it.

        Raises
        ------
        CompilerError
            If it cannot be compiled.
        """
        port = folder.port.estimator
        height, width = port.window_px
        self.kind = f"c:{folder.path}"
        self.library = library_of(folder)
        position = QFormat(32, port.position_fraction)
        self._window = _Seen(width, height, position, port.light_fraction)
        self.folder, self.light_fraction = folder, port.light_fraction

    def __call__(self, frames_dn: NDArray[np.int32], *, camera: CameraBelief) -> SpotReading:
        """Return the spot of each frame; the camera is the one that it was compiled for."""
        count = len(frames_dn)
        pixels = np.ascontiguousarray(np.clip(frames_dn, 0, PIXEL_MOST), dtype=np.uint16)
        position, light = np.zeros((count, 2), np.int32), np.zeros(count, np.int64)
        status = np.zeros(count, np.uint8)
        self.library.port_read(count, at(pixels), at(position), at(light), at(status))
        return reading_of(SpotWords(position.astype(np.int64), light, status), self._window)
