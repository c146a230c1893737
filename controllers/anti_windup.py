"""Keeping a correction, and the integral behind it, inside what the drive can carry out."""

import numpy as np

from sim.ports import Array, Setpoint


def within(wanted_rad: Array, setpoint: Setpoint) -> Array:
    """Return the correction [rad] (M, 2) nearest to the wanted one inside the limits."""
    return np.minimum(np.maximum(wanted_rad, setpoint.lowest_rad), setpoint.highest_rad)


def conditional_integral(
    before_rad: Array, after_rad: Array, wanted_rad: Array, granted_rad: Array, setpoint: Setpoint
) -> Array:
    """Return the integral to keep: the old one where a new one would press against the limit.

    Conditional integration alone lets an integral stay outside if the limits themselves close in
    (the feed-forward of a move uses up the travel), so the result is clamped to them as well.

    Parameters
    ----------
    before_rad, after_rad : (M, 2) ndarray
        The integral before and after this frame's error was added. [rad]
    wanted_rad, granted_rad : (M, 2) ndarray
        The correction before and after the limits. [rad]
    setpoint : Setpoint
        The limits.

    Returns
    -------
    (M, 2) ndarray
        The integral for the next frame. [rad]

    References
    ----------
    .. [1] K. J. Astrom and T. Hagglund, Advanced PID Control, ISA, 2006, the sections on
       integrator windup (conditional integration, clamping). From memory.
    """
    presses = (wanted_rad - granted_rad) * (after_rad - before_rad) > 0.0
    return within(np.where(presses, before_rad, after_rad), setpoint)
