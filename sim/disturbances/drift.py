"""Random wander of each mirror's rest angle: Ornstein-Uhlenbeck, and the random walk."""

from typing import Annotated, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.foundations.errors import ScenarioError
from sim.foundations.params import Block, between
from sim.foundations.ports import Array, Effects, Site
from sim.kernels.installed import installed
from sim.kernels.recursion import run_section

SHORTEST_FRAMES = 10
"""Least correlation time in frames: halfway between edges the variance is then 5 % low at worst."""

FORGOTTEN = 1e-30
"""Correlation between steps of slow time below which there is none. [-]"""


class Wander(NamedTuple):
    """State of a wander at a frame edge."""

    rest_rad: Array
    """(2, M) [rad]"""


class SlowWander(NamedTuple):
    """State of a wander in slow time."""

    time_s: float
    draws: int
    """Steps taken so far; names the next one's random numbers."""
    rest_rad: Array
    """(2, M) [rad]"""


class DriftParams(Block):
    """Ornstein-Uhlenbeck wander, independent for each mirror and axis.

    Valid up to 0.1 rad, beyond any mirror's travel, and for correlation times from ten frames,
    since the path is straight between frames, up to 30 years.
    """

    kind: Literal["drift"]
    sigma_urad: Annotated[float, between(0.0, 1e5)]
    """Standard deviation of the wander once it is stationary, per axis. [urad]"""
    correlation_s: Annotated[float, between(1e-5, 1e9)]
    """Time after which the correlation has fallen to 1/e. [s]"""
    start: Literal["stationary", "zero"]
    """Whether the run starts amid the wander or right after a perfect alignment. [-]"""


class Drift:
    """Ornstein-Uhlenbeck wander, exact at frame edges for any frame period.

    x' = -x/T + noise, stepped with a = exp(-dt/T) and increments of variance sigma^2 (1 - a^2).
    Each increment is drawn by (edge, mirror), so neither blocks nor the choice of mirrors change
    it. Between edges the path is taken as straight.

    References
    ----------
    .. [1] G. E. Uhlenbeck and L. S. Ornstein, Phys. Rev. 36 (1930) 823.
    .. [2] D. T. Gillespie, Phys. Rev. E 54 (1996) 2084: the exact step.
    """

    Params = DriftParams

    def __init__(self, params: DriftParams, site: Site) -> None:
        """Place the wander in the run.

        Parameters
        ----------
        params : DriftParams
            The wander.
        site : Site
            The run.

        Raises
        ------
        ScenarioError
            If the correlation time is shorter than ten frames.
        """
        frame_s = site.clock.frame_s
        if params.correlation_s < SHORTEST_FRAMES * frame_s * (1 - 1e-9):
            raise ScenarioError(
                f"drift: correlation_s must be at least {SHORTEST_FRAMES} frames, "
                f"{SHORTEST_FRAMES * frame_s:g} s, got {params.correlation_s:g} s"
            )
        self.params = params
        self.warnings: tuple[str, ...] = ()
        self._site = site
        self._sigma_rad = 1e-6 * params.sigma_urad
        self._keep = float(np.exp(-frame_s / params.correlation_s))
        self._step_rad = self._sigma_rad * float(
            np.sqrt(-np.expm1(-2.0 * frame_s / params.correlation_s))
        )

    def density_rad2_per_hz(self, frequency_hz: Array) -> Array:
        """Return the one-sided density (F,) of the wander, per axis. [rad^2/Hz]"""
        tau = self.params.correlation_s
        turn = 2 * np.pi * frequency_hz
        return 4e-12 * self.params.sigma_urad**2 * tau / (1 + (turn * tau) ** 2)

    def initial_state(self) -> Wander:
        """Return the wander at the first edge."""
        if self.params.start == "zero":
            return Wander(np.zeros((2, len(self._site.mirror_ids))))
        return Wander(self._sigma_rad * _draw(self._site, np.array([0]))[0])

    def advance(self, state: Wander, first_frame: int, n_frames: int) -> tuple[Wander, Effects]:
        """Return the rest angle over the block."""
        noise = self._step_rad * _draw(self._site, first_frame + 1 + np.arange(n_frames))
        rest = np.empty((n_frames + 1, *state.rest_rad.shape))
        rest[0] = state.rest_rad
        flat = rest.reshape(n_frames + 1, -1)
        memory = np.stack([self._keep * flat[0], np.zeros_like(flat[0])])
        run_section(
            np.array([1.0, 0.0, 0.0]), np.array([1.0, -self._keep, 0.0]), memory,
            noise.reshape(n_frames, -1), flat[1:],
        )  # fmt: skip
        return Wander(rest[-1].copy()), Effects(rest_rad=rest.transpose(0, 2, 1))


    def slow_state(self) -> SlowWander:
        """Return the wander at the start."""
        return SlowWander(0.0, 0, self.initial_state().rest_rad)

    def slow(self, state: SlowWander, time_s: Array) -> tuple[SlowWander, Effects]:
        """Return the rest angle at each time: exact steps of any length."""
        ages = np.diff(time_s, prepend=state.time_s) / self.params.correlation_s
        noise = _slow_draw(self._site, state.draws, len(time_s))
        noise *= (self._sigma_rad * np.sqrt(-np.expm1(-2.0 * ages)))[:, None, None]
        keep = np.exp(-ages)
        for step in np.flatnonzero(keep > FORGOTTEN):
            noise[step] += keep[step] * (noise[step - 1] if step else state.rest_rad)
        return _slow_step(state, time_s, noise)


class RandomWalkParams(Block):
    """A random walk from zero, independent for each mirror and axis.

    Valid up to 0.1 rad after a second: a walk has no end, so a run must be short against the
    time in which it leaves the travel.
    """

    kind: Literal["random_walk"]
    rate_urad_per_sqrt_s: Annotated[float, between(0.0, 1e5)]
    """Standard deviation after one second, per axis; grows as the root of time. [urad/sqrt(s)]"""


class RandomWalk:
    """Rest angle that takes a Gaussian step at each frame edge; straight between edges."""

    Params = RandomWalkParams

    def __init__(self, params: RandomWalkParams, site: Site) -> None:
        """Place the walk in the run.

        Parameters
        ----------
        params : RandomWalkParams
            The walk.
        site : Site
            The run.
        """
        self.params = params
        self.warnings: tuple[str, ...] = ()
        self._site = site
        self._step_rad = 1e-6 * params.rate_urad_per_sqrt_s * float(np.sqrt(site.clock.frame_s))

    def density_rad2_per_hz(self, frequency_hz: Array) -> Array:
        """Return the one-sided density (F,) of the walk, per axis. [rad^2/Hz]"""
        turn = 2 * np.pi * frequency_hz
        return 2e-12 * self.params.rate_urad_per_sqrt_s**2 / turn**2

    def initial_state(self) -> Wander:
        """Return zero."""
        return Wander(np.zeros((2, len(self._site.mirror_ids))))

    def advance(self, state: Wander, first_frame: int, n_frames: int) -> tuple[Wander, Effects]:
        """Return the rest angle over the block."""
        steps = self._step_rad * _draw(self._site, first_frame + 1 + np.arange(n_frames))
        rest = np.cumsum(np.concatenate([state.rest_rad[None], steps]), axis=0)
        return Wander(rest[-1].copy()), Effects(rest_rad=rest.transpose(0, 2, 1))

    def slow_state(self) -> SlowWander:
        """Return zero."""
        return SlowWander(0.0, 0, self.initial_state().rest_rad)

    def slow(self, state: SlowWander, time_s: Array) -> tuple[SlowWander, Effects]:
        """Return the rest angle at each time: exact steps of any length."""
        length_s = np.diff(time_s, prepend=state.time_s)
        noise = _slow_draw(self._site, state.draws, len(time_s))
        noise *= (1e-6 * self.params.rate_urad_per_sqrt_s * np.sqrt(length_s))[:, None, None]
        return _slow_step(state, time_s, state.rest_rad + np.cumsum(noise, axis=0))


def _slow_draw(site: Site, first: int, count: int) -> Array:
    return _draw(site._replace(key=site.slow_key), np.arange(first, first + count))


def _slow_step(state: SlowWander, time_s: Array, rest: Array) -> tuple[SlowWander, Effects]:
    after = SlowWander(float(time_s[-1]), state.draws + len(time_s), rest[-1].copy())
    return after, Effects(rest_rad=rest.transpose(0, 2, 1))


def _draw(site: Site, edges: NDArray[np.int64]) -> Array:
    """Return standard normals (E, 2, M) of edges in a row, drawn by frame edge and mirror."""
    seed, stream = site.key
    first = int(edges[0])
    skip = first % 2
    out = np.zeros((len(edges) + skip, 2, len(site.mirror_ids)), np.float32)
    installed().fill_normals(out, site.mirror_ids, first // 2, 0, (seed, int(stream)))
    return out[skip:].astype(np.float64)
