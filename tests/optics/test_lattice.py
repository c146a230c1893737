"""Places of ports: rows, discs, and the way they are counted."""

import numpy as np
import pytest

from sim.optics.lattice import lattice_places


def disc(count, lattice="square"):
    return {tuple(np.round(p, 6) + 0.0) for p in lattice_places(count, 1, lattice, "disc")}


def test_a_disc_takes_the_nearest_places_and_at_the_same_distance_goes_round():
    """By hand: the middle, its four neighbours, then diagonals by their angle from x."""
    cross = {(0, 0), (1, 0), (0, 1), (-1, 0), (0, -1)}
    diagonals = [(1, 1), (-1, 1), (-1, -1), (1, -1)]
    for more in range(5):
        assert disc(5 + more) == cross | set(diagonals[:more])


def test_a_hexagonal_disc_of_seven_is_a_ring_of_six():
    found = np.array(sorted(disc(7, "hexagonal")))
    distance = np.sort(np.hypot(*found.T))
    np.testing.assert_allclose(distance, [0, 1, 1, 1, 1, 1, 1], atol=1e-6)


def test_ports_count_along_rows_and_the_middle_is_zero():
    np.testing.assert_allclose(
        lattice_places(6, 3, "square", "rectangle"),
        [[-1, -0.5], [0, -0.5], [1, -0.5], [-1, 0.5], [0, 0.5], [1, 0.5]],
    )
    found = lattice_places(9, 1, "square", "round")
    assert np.array_equal(found, found[np.lexsort((found[:, 0], found[:, 1]))])


@pytest.mark.parametrize("outline", ["rectangle", "disc"])
def test_hexagonal_neighbours_are_a_pitch_apart(outline):
    found = lattice_places(12, 4, "hexagonal", outline)
    apart = np.hypot(*(found[:, None] - found[None]).transpose(2, 0, 1))
    nearest = np.where(np.eye(12, dtype=bool), np.inf, apart).min(axis=0)
    np.testing.assert_allclose(nearest, 1.0, atol=1e-9)
