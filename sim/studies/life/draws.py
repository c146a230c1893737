"""Random numbers of a life, named by what they are for."""


from sim.foundations.ports import Array
from sim.foundations.rng import Stream, cut_normals, uniforms
from sim.studies.life.plant import Index

OFFSET, PEAK, CONNECTION, MATING, AGEING, BOARD, PAIR = range(7)
"""Name the draws of a life."""


class Draws:
    """Random numbers of one life, named by what they are for."""

    def __init__(self, seed: int, mirrors: Index) -> None:
        """Keep the seed."""
        self._key = (seed, Stream.LIVES)
        self._mirrors = mirrors

    def mirrors(self, what: int, number: int) -> Array:
        """Return cut normals (M, 2)."""
        return cut_normals(self._key, self._mirrors, what, number)

    def share(self, what: int, number: int, other: int = 0) -> tuple[float, float]:
        """Return two uniforms."""
        first, second = uniforms(self._key, other, what, number)
        return float(first), float(second)
