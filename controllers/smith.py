"""Delay compensation by an internal model of drive, mirror, exposure and delay."""

import math
from typing import Annotated, Literal

from controllers.by_law import ByLaw
from controllers.sampled_model import sampled_model
from sim.foundations.params import Block, between
from sim.foundations.ports import Knob, PlantBelief
from sim.foundations.ports.linear_law import LawMatrices, LinearLaw


class SmithParams(Block):
    """One number to tune: how fast a disturbance is answered.

    Valid from a microsecond, which is at once, to 1000 s, which is never; the model it predicts
    with is the believed mirror, so that a wrong belief costs margin.
    """

    kind: Literal["smith"] = "smith"
    """Name of this controller. [-]"""
    response_ms: Annotated[float, between(1e-3, 1e6)]
    """Time constant with which an observed disturbance is taken over into the correction. [ms]"""


class Smith(ByLaw):
    """What the model does not explain is the disturbance; its low-passed opposite corrects it.

    The internal model says what the corrections sent so far do to this reading, delay, exposure
    and ringing included. The rest of the reading, d[k], is disturbance:
    u[k] = u[k-1] + (1 - a) (-d[k] - u[k-1]), a = exp(-frame / response).
    With the mirror as believed the loop is stable for every response time, and the delay costs no
    margin; the mirror's own ringing is left as it is. A wrong gain or resonance needs a slower
    response. This is the internal-model form; a Smith predictor around the integrator
    u[k] = u[k-1] + (1 - a) / a e[k] is the same controller written another way if the mirror is
    pure delay (with delay z^-d both have the sensitivity 1 - z^-d (1 - a) / (1 - a / z)).

    The model is fed with the correction after the limits, so nothing winds up. A lost mirror keeps
    its correction, and the model goes on.

    References
    ----------
    .. [1] M. Morari and E. Zafiriou, Robust Process Control, 1989 (internal model control).
       From memory.
    .. [2] O. J. M. Smith, "Closer control of loops with dead time", Chem. Eng. Progress 53 (1957)
       217. From memory.
    """

    Params = SmithParams
    knobs = (Knob("response_ms", 0.5, 300.0),)

    def __init__(self, params: SmithParams, plant: PlantBelief) -> None:
        self.params = params
        self.plant = plant
        self.share = 1.0 - math.exp(-plant.frame_s / (1e-3 * params.response_ms))
        self.model = sampled_model(
            plant.resonance_rad_s,
            plant.quality,
            plant.amplifier_s,
            plant.frame_s,
            plant.exposure_s,
            plant.latency_s,
        )
        super().__init__(self._stated())

    def _stated(self) -> LinearLaw:
        """States are those of the internal model; the last correction is what drives it."""
        model, share = self.model, self.share
        A, G, C = model.A[None], model.B[None, ..., 0], model.C[None, ..., 0, :]
        n = A.shape[-1]
        at_rest = [0.0 if name == "rate" else 1.0 for name in model.names]
        return LinearLaw.of(
            LawMatrices.of(n, A=A, G=G, C=share * C, D=share, H=1.0 - share),
            LawMatrices.of(n, A=A, G=G, H=1.0),
            standing=at_rest,
        )
