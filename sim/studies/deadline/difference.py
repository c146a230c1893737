"""The loop with dropped frames as a difference equation, by a route of its own.

Nothing of the loop's own path is used: no images, no kernels, no events. The law is taken as the
matrices that the controller states; the mirror is stepped by the exponential of its own
equations, drive tick by tick; readings are the mean tilt over the exposure, by the trapezoidal
rule, plus white noise; frames are dropped by draws of this module. What disturbs the mirrors is
what the scenario's disturbances play.
"""

from collections.abc import Callable
from typing import Any, Final, NamedTuple

import numpy as np
import scipy.linalg
from numpy.typing import NDArray

from sim.assembly.build import Built
from sim.foundations.errors import ScenarioError
from sim.foundations.ports import Array
from sim.foundations.ports.linear_law import LawMatrices, LinearLaw, RoundsLaw, states_law
from sim.loop.history import environment_of
from sim.results.hold import hold_of

TRANSIENT_FRAMES: Final = 50
"""Frames of the hold interval that are left to the loop's own start where it begins at once."""


class EquationCourse(NamedTuple):
    """What a difference equation gives."""

    rms_rad: float
    """Radial error over the hold interval, all mirrors and ticks. [rad]"""
    dropped: float
    """Share of the frames that were dropped. [-]"""


def stepped_law(built: Built) -> LinearLaw:
    """Return the law of a scenario's controller, as its words have it where it has words.

    Raises
    ------
    ScenarioError
        If it states none, or one that this equation does not cover.
    """
    controller: Any = built.parts.controller
    if isinstance(controller, RoundsLaw):
        return controller.rounded_law()
    if not states_law(controller):
        raise ScenarioError(
            "controller: the difference equation needs a controller that states a linear law"
        )
    law: LinearLaw = controller.linear_law()
    return law


def judged_frames(built: Built) -> tuple[int, int]:
    """Return the first frame that is judged, and the one after the last.

    Raises
    ------
    ScenarioError
        If the hold interval ends before the loop's own start is over.
    """
    clock = built.parts.clock
    hold = hold_of(built.resolved.metrics, 1e3 * clock.n_frames * clock.frame_s)
    first = max(int(hold.from_s / clock.frame_s), TRANSIENT_FRAMES)
    after = int(round(hold.to_s / clock.frame_s))
    if first >= after:
        raise ScenarioError(
            f"metrics: the hold interval must end after the first {TRANSIENT_FRAMES} frames, "
            f"{1e3 * TRANSIENT_FRAMES * clock.frame_s:g} ms, which are the loop's own start "
            f"(got {1e3 * hold.to_s:g} ms)"
        )
    return first, after


def error_course(built: Built, scatter_rad: Array, share: float, seed: int) -> EquationCourse:
    """Step the loop about its last aims, with a share of each camera's frames dropped.

    Parameters
    ----------
    built : Built
        The scenario's parts: mirrors, timing, law and disturbances are taken from it.
    scatter_rad : (2,) ndarray
        Standard deviation of one reading, per axis. [rad]
    share : float
        Of the frames, each drawn by itself for each array's camera. [-]
    seed : int
        Of the draws.

    Notes
    -----
    Left out: cross-axis coupling, slew limit, stops, limits of the correction, and the moves
    themselves, so that only what follows them may be held against it.
    """
    parts = built.parts
    law = stepped_law(built)
    n, m = parts.clock.ticks_per_frame, len(parts.mirrors)
    rng = np.random.default_rng(seed)
    lost = _dropped(built, share, rng)
    from_frame, to_frame = judged_frames(built)
    plant = _Plant(built)
    memory = _Memory(law, m)
    corrections: list[Array] = []
    aligned = parts.population.alignment_rad  # the firmware aims beside the best coupling
    total, count, frame = 0.0, 0, 0
    for block in environment_of(parts):
        for k in range(len(block.gain) - 1):
            ticks = slice(k * n, (k + 1) * n + 1)
            rest = block.rest[k : k + 2].transpose(0, 2, 1)
            shift, acceleration = block.sensor[ticks], block.acceleration[ticks]

            def read(path: Array, frame: int = frame, shift: Array = shift) -> None:
                """Make the correction of a frame once it is exposed."""
                edges = len(path)
                moved = path + shift[:edges, None, :]
                mean = (moved.sum(axis=0) - 0.5 * (moved[0] + moved[-1])) / (edges - 1)
                reading = mean + scatter_rad * rng.normal(size=(m, 2))
                corrections.append(memory.step(-reading, ~lost[frame]))

            path = plant.frame(corrections, frame, rest, acceleration, rng, read)
            if from_frame <= frame < to_frame:
                total += float(((path[1:] + aligned) ** 2).sum())
                count += n * m
            frame += 1
    used = lost[from_frame:to_frame]
    return EquationCourse(float(np.sqrt(total / max(count, 1))), float(used.mean()))


def _dropped(built: Built, share: float, rng: np.random.Generator) -> NDArray[np.bool_]:
    """Draw which frames each mirror lacks, (F, M): one draw for each array's camera."""
    parts = built.parts
    sensor = parts.measurement.layout.sensor(parts.mirrors)
    return (rng.random((parts.clock.n_frames, 2)) < share)[:, sensor]


class _Plant:
    """Mirrors about their aims, behind their drives, tick by tick."""

    def __init__(self, built: Built) -> None:
        parts, population = built.parts, built.parts.population
        aim = parts.epochs[-1].aim_rad
        cubic = np.array(built.resolved.mirror.cubic_per_rad2)
        w2 = population.resonance_rad_s**2
        self._stiff = 1.0 + 3.0 * cubic * aim**2
        self._w2 = w2
        generator = np.zeros((*aim.shape, 5, 5))
        generator[..., 0, 1] = 1.0
        generator[..., 1, 0] = -w2 * self._stiff
        generator[..., 1, 1] = -population.resonance_rad_s / population.quality
        generator[..., 1, 2] = w2
        generator[..., 1, 4] = 1.0
        generator[..., 2, 2] = -1.0 / parts.drive.lag_s
        generator[..., 2, 3] = 1.0 / parts.drive.lag_s
        self._step = scipy.linalg.expm(generator * parts.clock.tick_s)[..., :3, :]
        self._state = np.zeros((*aim.shape, 3))
        self._gain = 1.0 / population.calibration_ratio
        self._imbalance = population.imbalance
        self._lsb = parts.fleet.believed_gain.T * parts.drive.lsb_v
        self._held = aim * (1.0 + cubic * aim**2)
        self._rounds = not parts.drive.square
        self._noise = parts.drive.noise_v * parts.fleet.true_gain.T
        self._n = parts.clock.ticks_per_frame
        self._lag, self._now = divmod(parts.latency_ticks, self._n)
        edges = int(round(built.resolved.camera.exposure_us * 1e-6 / parts.clock.tick_s))
        self._edges = min(max(edges, 1), self._n)

    def frame(
        self, corrections: list[Array], number: int, rest: Array, acceleration: Array,
        rng: np.random.Generator, read: Callable[[Array], None],
    ) -> Array:  # fmt: skip
        """Return the tilts (N + 1, M, 2) of a frame, the first that of its start. [rad]

        `read` is called with those of its exposure once it is over, and adds to `corrections`; that
        of frame k is at the drive `latency_ticks` after the frame's start.
        """
        path = [self._state[..., 0].copy()]
        for tick in range(self._n):
            if tick == self._edges:
                read(np.array(path))
            newest = number - self._lag - (tick < self._now)
            asked = corrections[newest] if newest >= 0 else np.zeros_like(self._held)
            if self._rounds:
                asked = np.rint((self._held + asked) / self._lsb) * self._lsb - self._held
            part = (tick + 0.5) / self._n
            wander = rest[0] + part * (rest[1] - rest[0])
            push = np.einsum("mak,k->ma", self._imbalance, acceleration[tick])
            force = self._w2 * wander + push
            inputs = np.concatenate(
                [self._state, (self._gain * asked)[..., None], force[..., None]], axis=-1
            )
            self._state = np.einsum("maij,maj->mai", self._step, inputs)
            if np.any(self._noise):
                self._state[..., 2] += self._noise * rng.normal(size=self._noise.shape)
            path.append(self._state[..., 0].copy())
        if self._edges == self._n:
            read(np.array(path))
        return np.array(path)


class _Memory:
    """A control law from its matrices: sections, states, last correction."""

    def __init__(self, law: LinearLaw, mirrors: int) -> None:
        self._law = law
        self._x = np.where(law.previous, np.nan, np.zeros((mirrors, 2, len(law.previous))))
        self._u = np.zeros((mirrors, 2))
        self._filters = np.zeros((len(law.sections), mirrors, 2, 2))

    def step(self, error: Array, seen: NDArray[np.bool_]) -> Array:
        """Return the correction (M, 2) of a frame; where a mirror is not seen, time stands still
        in the sections and the lost law acts.
        """
        law, on = self._law, seen[:, None]
        value = np.where(on, error, 0.0)
        for section, filters in zip(law.sections, self._filters, strict=True):
            b0, b1, b2, a1, a2 = np.moveaxis(section, -1, 0)
            out = b0 * value + filters[..., 0]
            first = b1 * value - a1 * out + filters[..., 1]
            second = b2 * value - a2 * out
            filters[..., 0] = np.where(on, first, filters[..., 0])
            filters[..., 1] = np.where(on, second, filters[..., 1])
            value = out
        x = np.where(np.isnan(self._x), value[..., None], self._x)
        after, wanted = self._by(law.seen, x, value)
        coasted, held = self._by(law.lost, x, np.zeros_like(value))
        coasted = np.where(law.previous, np.nan, coasted)
        self._x = np.where(on[..., None], after, coasted)
        self._u = np.where(on, wanted, held)
        return self._u

    def _by(self, m: LawMatrices, x: Array, value: Array) -> tuple[Array, Array]:
        after = np.einsum("...ij,...j->...i", m.A, x) + m.B * value[..., None]
        after = after + m.G * self._u[..., None]
        wanted = (m.C * after).sum(axis=-1) + m.D * value + m.H * self._u
        return after, wanted
