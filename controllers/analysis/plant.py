"""The mirrors of a population as a linear plant: one sampled model per axis, and how axes mix."""

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from controllers.sampled_model import SampledModel, sampled_model, tilt_within
from sim.foundations.ports import Array, PlantBelief

INSTANTS = 4
"""Of each frame, at which the tilt itself is looked at."""


class Plant(NamedTuple):
    """Correction (M, 2) to reading (M, 2), once a frame, for M mirrors.

    The static tilt that reaches axis a is ``sum_b mix[a, b] u[b]``; the sampled model of axis a,
    with a gain of 1 at rest, turns it into the reading.
    """

    model: SampledModel
    """Leading shape (M, 2)."""
    mix: Array
    """(M, 2, 2) true over believed gain, with the other axis' share. [-]"""
    frame_s: float
    """[s]"""
    exposure_s: float = 0.0
    """[s]"""
    within: tuple[tuple[Array, Array], ...] = ()
    """Of instants spread evenly over a frame: rows (M, 2, 1, n) and (M, 2, 1, 1), as `tilt_rows`
    gives them."""


def population_plant(
    belief: PlantBelief,
    resonance_rad_s: ArrayLike,
    quality: ArrayLike,
    gain: ArrayLike = 1.0,
    cross: ArrayLike = 0.0,
    stiffening: ArrayLike = 1.0,
    delay_s: ArrayLike | None = None,
    *,
    within: bool = True,
) -> Plant:
    """Return the plant of M true mirrors behind the timing of a belief.

    Parameters
    ----------
    belief : PlantBelief
        Frame, exposure, latency and amplifier; its mirror is not used.
    resonance_rad_s, quality : (M, 2) array_like
        True values about rest. [rad/s], [-]
    gain : array_like, broadcast to (M, 2)
        True over believed tilt per volt. [-]
    cross : array_like, broadcast to (M, 2)
        Share of the other axis' drive that reaches each axis. [-]
    stiffening : array_like, broadcast to (M, 2)
        Slope of the spring's torque where the mirror stands, over that at rest: with a cubic spring
        1 + 3 k3 tilt^2. It raises the resonance and the quality factor by its root, and divides
        the gain. [-]
    delay_s : array_like, broadcast to (M, 2), optional
        From a frame's start until its correction acts; the belief's latency if left out. [s]
    within : bool
        Whether the tilt between the readings is wanted too: `Plant.within`, empty otherwise.

    Returns
    -------
    Plant

    Raises
    ------
    ValueError
        From `sampled_model`.
    """
    resonance, q, g, c, s = np.broadcast_arrays(
        np.atleast_2d(np.asarray(resonance_rad_s, dtype=float)), quality, gain, cross, stiffening
    )
    root = np.sqrt(s)
    delay = np.broadcast_to(belief.latency_s if delay_s is None else delay_s, resonance.shape)
    model = _sampled(belief, resonance * root, q * root, delay)
    mix = np.empty((*resonance.shape, 2))
    for a, b in ((0, 1), (1, 0)):
        mix[:, a, a] = g[:, a] / s[:, a]
        mix[:, a, b] = c[:, a] * g[:, b] / s[:, a]
    instants = tuple(
        tilt_rows(
            belief, resonance * root, q * root, delay, belief.frame_s * (j + 0.5) / INSTANTS,
            len(model.names),
        )
        for j in range(INSTANTS if within else 0)
    )  # fmt: skip
    return Plant(model, mix, belief.frame_s, belief.exposure_s, instants)


def _sampled(belief: PlantBelief, resonance: Array, quality: Array, delay_s: Array) -> SampledModel:
    """Return one model for all axes; those with fewer corrections on their way get idle states."""
    parts = {
        float(d): sampled_model(
            resonance[delay_s == d], quality[delay_s == d], belief.amplifier_s, belief.frame_s,
            belief.exposure_s, float(d),
        )
        for d in np.unique(delay_s)
    }  # fmt: skip
    names = max((part.names for part in parts.values()), key=len)
    n = len(names)
    A, B, C = (np.zeros((*resonance.shape, *shape)) for shape in ((n, n), (n, 1), (1, n)))
    for d, part in parts.items():
        at, k = delay_s == d, len(part.names)
        A[at, :k, :k], B[at, :k], C[at, :, :k] = part.A, part.B, part.C
    return SampledModel(A, B, C, names)


def tilt_rows(
    belief: PlantBelief, resonance_rad_s: Array, quality: Array, delay_s: Array, at_s: float,
    n_states: int,
) -> tuple[Array, Array]:  # fmt: skip
    """Return `controllers.sampled_model.tilt_within` of axes (M, 2) with delays of their own."""
    row = np.zeros((*resonance_rad_s.shape, 1, n_states))
    now = np.zeros((*resonance_rad_s.shape, 1, 1))
    for d in np.unique(delay_s):
        at = delay_s == d
        row[at], now[at] = tilt_within(
            resonance_rad_s[at], quality[at], belief.amplifier_s, belief.frame_s, float(d), at_s,
            n_states,
        )  # fmt: skip
    return row, now


def plant_response(plant: Plant, frequency_hz: Array) -> NDArray[np.complex128]:
    """Return reading per correction (F, M, 2, 2) at each frequency (F,). [-]"""
    numerator, denominator = _transfer(plant.model)
    z = np.exp(2j * np.pi * frequency_hz * plant.frame_s)[:, None, None]
    response = _polynomial(numerator, z) / _polynomial(denominator, z)
    return response[..., None] * plant.mix


def tilt_responses(plant: Plant, frequency_hz: Array) -> NDArray[np.complex128]:
    """Return tilt per static tilt asked for (J, F, M, 2), at the J instants of `Plant.within`. [-]

    Each is against the frame's start, and leaves out how the axes mix.
    """
    z = np.exp(2j * np.pi * frequency_hz * plant.frame_s)[:, None, None]
    found, below = [], None
    for row, now in plant.within:
        numerator, denominator = _transfer(plant.model._replace(C=row))
        if below is None:
            below = 1.0 / _polynomial(denominator, z)
        found.append(_polynomial(numerator, z) * below + now[..., 0, 0])
    return np.stack(found)


def _polynomial(coefficients: Array, z: NDArray[np.complex128]) -> NDArray[np.complex128]:
    value = np.zeros(np.broadcast_shapes(z.shape, coefficients.shape[:-1]), complex)
    for column in np.moveaxis(coefficients, -1, 0):
        value = value * z + column
    return value


def _transfer(model: SampledModel) -> tuple[Array, Array]:
    """Return numerator (..., n) and denominator (..., n + 1), highest power first.

    The denominator is the characteristic polynomial; the numerator its product with the pulse
    response C A^(k-1) B, cut off where the two cancel.
    """
    n = model.A.shape[-1]
    roots = np.linalg.eigvals(model.A)
    denominator = np.zeros((*roots.shape[:-1], n + 1), complex)
    denominator[..., 0] = 1.0
    for i in range(n):
        denominator[..., 1 : i + 2] -= roots[..., i : i + 1] * denominator[..., : i + 1].copy()
    denominator = denominator.real
    pulse, state = [], model.B
    for _ in range(n):
        pulse.append((model.C @ state)[..., 0, 0])
        state = model.A @ state
    numerator = np.stack(
        [sum(denominator[..., i] * pulse[j - i] for i in range(j + 1)) for j in range(n)], axis=-1
    )
    return numerator, denominator
