"""A level that rises steadily, followed by a filter of fixed gains; what it did not expect."""

import numpy as np
from numpy.typing import NDArray

from sim.foundations.ports import Array


class Trend:
    """An alpha-beta filter, critically damped: two equal poles at `pole`.

    References
    ----------
    .. [1] The innovation's variance on white readings of variance 1 is
       1 + (2 a^2 + a b + 2 b)/(a (4 - 2 a - b)): the error of the predicted position of an
       alpha-beta filter. From memory; a test holds it to simulated readings.
    """

    def __init__(self, pole: float) -> None:
        self._alpha = 1.0 - pole * pole
        self._beta = (1.0 - pole) ** 2
        a, b = self._alpha, self._beta
        self.variance = 1.0 + (2.0 * a * a + a * b + 2.0 * b) / (a * (4.0 - 2.0 * a - b))
        """Of an innovation, on white readings of variance 1."""

    def expect(self, state: Array) -> Array:
        """Return what is expected next, from (..., 2) levels and trends."""
        return np.asarray(state[..., 0] + state[..., 1])

    def after(self, state: Array, reading: Array, good: NDArray[np.bool_]) -> Array:
        """Return levels and trends after a reading; where it is not good they run on."""
        level = self.expect(state)
        surprise = np.where(good, reading - level, 0.0)
        return np.stack(
            [level + self._alpha * surprise, state[..., 1] + self._beta * surprise], axis=-1
        )
