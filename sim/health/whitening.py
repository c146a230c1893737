"""From unexplained tilts to independent readings of variance 1: what healthy mirrors do is learnt.

The residuals of a mirror are correlated: its servo, shared vibration and quantised drives see to
that, and a correlation of 0.3 alone cuts run lengths to a third. An autoregression, fitted to each
axis of each mirror while it is learnt, takes that out.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.foundations.ports import Array


class Learnt(NamedTuple):
    """What has been learnt of the residuals of M mirrors, p of which tell the next."""

    frames: Array
    """(M,) frames that went in. [-]"""
    products: Array
    """(M, 2, p + 1) sums of residuals times those 0 to p frames before. [rad^2]"""
    past_rad: Array
    """(M, 2, p) the last residuals, newest first. [rad]"""
    factors: Array
    """(M, 2, p) of the past in the present; zero until they are learnt. [-]"""
    scale_rad: Array
    """(M, 2) standard deviation of what the past does not tell; zero until learnt. [rad]"""


def nothing_learnt(n_mirrors: int, order: int) -> Learnt:
    """Return what is known before the first frame."""
    return Learnt(
        np.zeros(n_mirrors),
        np.zeros((n_mirrors, 2, order + 1)),
        np.zeros((n_mirrors, 2, order)),
        np.zeros((n_mirrors, 2, order)),
        np.zeros((n_mirrors, 2)),
    )


def learn(known: Learnt, residual_rad: Array, good: NDArray[np.bool_], wanted: int) -> Learnt:
    """Return what is known after a frame; mirrors that are not `good` in it learn nothing.

    After `wanted` frames of a mirror its factors are fitted and stay.
    """
    learning = good & (known.frames < wanted)
    if not learning.any():
        return known
    frames = known.frames + learning
    products = known.products
    now = np.where(learning[:, None], residual_rad, 0.0)
    row = np.concatenate([now[..., None], known.past_rad], axis=-1)
    products = products + now[..., None] * row
    known = known._replace(frames=frames, products=products)
    ready = learning & (frames >= wanted)
    if not ready.any():
        return known
    factors, scale = fitted(products[ready] / frames[ready][:, None, None])
    all_factors, all_scale = known.factors.copy(), known.scale_rad.copy()
    all_factors[ready], all_scale[ready] = factors, scale
    return known._replace(factors=all_factors, scale_rad=all_scale)


def fitted(covariance: Array) -> tuple[Array, Array]:
    """Return factors (..., p) and the scale (...) of what is left, from covariances (..., p + 1).

    The Yule-Walker equations.
    """
    p = covariance.shape[-1] - 1
    variance = covariance[..., 0]
    safe = np.where(variance > 0, variance, 1.0)
    if p == 0:
        return np.zeros((*variance.shape, 0)), np.sqrt(np.maximum(variance, 0.0))
    r = covariance / safe[..., None]
    apart = np.abs(np.arange(p)[:, None] - np.arange(p)[None, :])
    matrix = np.where(variance[..., None, None] > 0, r[..., apart], np.eye(p))
    factors = np.linalg.solve(matrix, r[..., 1:, None])[..., 0]
    left = 1.0 - (factors * r[..., 1:]).sum(axis=-1)
    scale = np.sqrt(safe * np.maximum(left, 1e-12)) * (variance > 0)
    return np.asarray(factors), np.asarray(scale)


def whitened(known: Learnt, residual_rad: Array, good: NDArray[np.bool_]) -> tuple[Learnt, Array]:
    """Return (what is known, with the newest residual in its past; readings (M, 2)).

    Readings are 0 where a mirror is not good, or nothing has been learnt of it.
    """
    told = (known.factors * known.past_rad).sum(axis=-1)
    scale = known.scale_rad
    z = np.where(scale > 0, (residual_rad - told) / np.where(scale > 0, scale, 1.0), 0.0)
    now = np.where(good[:, None], residual_rad, told)
    past = np.concatenate([now[..., None], known.past_rad[..., :-1]], axis=-1)
    if not known.past_rad.shape[-1]:
        past = known.past_rad
    return known._replace(past_rad=past), np.where(good[:, None], z, 0.0)
