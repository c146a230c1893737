"""A mirror whose amplifier is noisy."""

from typing import Annotated, Literal

import numpy as np

from sim.events.on_mirrors import OnMirrorsParams, WhileItLasts
from sim.events.when import Flags
from sim.foundations.params import between
from sim.foundations.ports import EventSite, Faults
from sim.foundations.rng import normals


class MirrorNoisyParams(OnMirrorsParams):
    """Amplifiers that add noise to what they are asked for.

    Valid for noise that is white up to the drive's update rate: a value for each update, held until
    the next. The DAC rounds it with the rest.
    """

    kind: Literal["mirror_noisy"]
    rms_urad: Annotated[float, between(1e-3, 1e5)]
    """Standard deviation of the static tilt, in each update of the drive. [urad]"""


class MirrorNoisy(WhileItLasts):
    """Amplifiers that have become noisy."""

    Params = MirrorNoisyParams

    def __init__(self, params: MirrorNoisyParams, site: EventSite) -> None:
        super().__init__("noisy", params, site)
        self._rms = 1e-6 * params.rms_urad
        self._key, self._ids = site.key, site.mirror_ids[self.mirrors]

    def in_ticks(self, frame: int, ticks: Flags) -> Faults:
        """Return the noise that is added, drawn by mirror, frame and tick."""
        number = np.arange(len(ticks))[:, None]
        drawn = normals(self._key, self._ids, frame, number)  # (N, K, 2)
        asked = np.zeros((len(ticks), *self.which.shape))
        asked[:, :, self.mirrors] = self._rms * drawn.transpose(0, 2, 1)
        return Faults(asked_rad=asked * self.which * ticks[:, None, None])
