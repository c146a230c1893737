"""What part of the readings' noise the scenario's own loop passes on."""

from typing import Final, NamedTuple

from controllers.analysis.linear_loop import Loop, close, growth, noise_gain
from controllers.analysis.linearise import linearise
from sim.assembly.build import Built
from sim.studies.margins.plant import plant_of

USUAL: Final = 0.05
"""Where the controller does not say: that of an integrator of 0.1 per frame, g / (2 - g)."""


class NoisePassed(NamedTuple):
    """A share of noise power, and where it is from."""

    share: float
    """Variance of the exposure-mean tilt over that of white noise on the reading. [-]"""
    source: str
    """In words, for the page."""


def noise_passed(built: Built) -> NoisePassed:
    """Return what the loop passes on: stated in the scenario, or the mean over its linear loops.

    An unstable loop passes on everything; one that is not linear says nothing, and `USUAL` is
    taken.
    """
    stated = built.resolved.estimator_comparison.noise_passed
    if stated is not None:
        return NoisePassed(stated, "stated in the scenario")
    n = len(built.parts.mirrors)
    kind = built.resolved.controller["kind"]
    try:
        closed = close(Loop(linearise(built.parts.controller, n), plant_of(built)))
    except ValueError as exc:
        return NoisePassed(USUAL, f"usual value, since controller {kind} says nothing: {exc}")
    if (growth(closed) >= 1.0).any():
        return NoisePassed(1.0, f"all of it: a loop with controller {kind} is unstable")
    share = float(noise_gain(closed).mean())
    return NoisePassed(min(share, 1.0), f"of controller {kind}, mean over {2 * n} loops")
