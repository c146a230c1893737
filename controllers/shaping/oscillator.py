"""What shapers need to know of the mirror: the complex pole of its ringing."""

import cmath
import math

FINEST_TICKS = 50_000
"""Most drive ticks in a period; a shaped path is laid out tick by tick."""
COARSEST_TICKS = 8
"""Fewest drive ticks in a period that a shaper works with."""


def complex_pole(resonance_rad_s: float, quality: float) -> complex:
    """Return the pole -w / (2 Q) + i w sqrt(1 - 1 / (4 Q^2)) of th'' = w^2 (u - th) - (w/Q) th'.

    A command that makes jumps J_i at times t_i leaves this mode at rest if sum J_i exp(-p t_i) = 0.

    Raises
    ------
    ValueError
        If the mode does not ring.
    """
    if quality <= 0.5:
        raise ValueError(f"quality must be above 1/2 for a mirror that rings, got {quality:g}")
    real = resonance_rad_s / (2.0 * quality)
    return complex(-real, cmath.sqrt(resonance_rad_s**2 - real**2).real)


def require_fine_ticks(resonance_rad_s: float, tick_s: float) -> None:
    """Raise a ValueError if a period has fewer than COARSEST_TICKS or over FINEST_TICKS ticks."""
    ticks = 2.0 * math.pi / (resonance_rad_s * tick_s)
    if ticks < COARSEST_TICKS:
        raise ValueError(
            f"shaping needs at least {COARSEST_TICKS} drive ticks in a period of the resonance, "
            f"got {ticks:.2f} (tick_s = {tick_s:g})"
        )
    if ticks > FINEST_TICKS:
        raise ValueError(
            f"shaping works with {FINEST_TICKS} drive ticks at most in a period of the resonance, "
            f"got {ticks:.0f} (tick_s = {tick_s:g})"
        )
