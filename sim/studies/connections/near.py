"""Which beams land near which mirrors of array B, whatever these look at."""

import numpy as np
from numpy.typing import NDArray

from sim.foundations.ports import Array
from sim.optics.build_errors import CollimatorArray, MirrorArray
from sim.optics.rays import sent
from sim.studies.connections.coupler import Ports
from sim.studies.connections.table import Maker


class Near:
    """Finds beams that land near mirrors of array B, whatever these look at."""

    def __init__(
        self, maker: Maker, inputs: Ports, outputs: Ports, victims: NDArray[np.int64],
        reach_m: float,
    ) -> None:  # fmt: skip
        """Keep inputs, outputs, and the places of the outputs looked at."""
        built = maker.built
        self._a = MirrorArray._make(field[..., inputs] for field in built.a)
        self._source = CollimatorArray._make(field[..., inputs] for field in built.source)
        self._centres_m = built.b.centre_m[:, outputs[victims]]
        self._plane_m = maker.geometry.spacing_m
        self._victims, self._reach_m = victims, reach_m

    def of(self, tilt_a_rad: Array, beams: Ports) -> tuple[Ports, NDArray[np.int64]]:
        """Return the places of beams and outputs, of those that meet."""
        hit_m, way = self._sent(tilt_a_rad[beams], beams)
        past = self._centres_m[:, :, None] - hit_m[:, None, :]
        along = np.einsum("cvb,cb->vb", past, way)
        away_2 = np.einsum("cvb,cvb->vb", past, past) - along**2
        v, b = np.nonzero(away_2 < self._reach_m**2)
        return beams[b], self._victims[v]

    def landed_m(self, tilt_a_rad: Array, beams: Ports) -> Array:
        """Return where beams (3, B) cross the middle plane of array B; tilts are theirs. [m]"""
        hit_m, way = self._sent(tilt_a_rad, beams)
        return np.asarray(hit_m + (self._plane_m - hit_m[2]) / way[2] * way)

    def _sent(self, tilt_a_rad: Array, beams: Ports) -> tuple[Array, Array]:
        mirrors = MirrorArray._make(field[..., beams] for field in self._a)
        lamps = CollimatorArray._make(field[..., beams] for field in self._source)
        hit_m, _, way = sent(mirrors, lamps, tilt_a_rad.T)
        return hit_m, way
