"""Random numbers: known answers of the generator, and that the draws are what they claim."""

import numba
import numpy as np
import pytest
from scipy import stats

from sim.foundations.rng import Stream, normals, philox, uniforms
from sim.kernels import compiled
from sim.kernels import vectors as lanes_module
from sim.kernels.compiled import normals as compiled_normals
from sim.kernels.vectors import first_half, load, second_half, store


@pytest.mark.parametrize(
    ("counter", "key", "answer"),
    [
        ((0, 0, 0, 0), (0, 0), (0x6627E8D5, 0xE169C58D, 0xBC57AC4C, 0x9B00DBD8)),
        ((0xFFFFFFFF,) * 4, (0xFFFFFFFF,) * 2,
         (0x408F276D, 0x41C83B0E, 0xA20BC7C6, 0x6D5451FD)),
        ((0x243F6A88, 0x85A308D3, 0x13198A2E, 0x03707344), (0xA4093822, 0x299F31D0),
         (0xD16CFE09, 0x94FDCCEB, 0x5001E420, 0x24126EA1)),
    ],
)  # fmt: skip
def test_known_answers(counter: tuple, key: tuple, answer: tuple) -> None:
    """Philox4x32-10 known-answer vectors of the Random123 distribution (Salmon et al., SC'11)."""
    assert philox(np.array(counter, np.uint64), key).tolist() == list(answer)
    words = in_words(*(np.uint32(w) for w in (*counter, *key)))
    assert tuple(int(w) for w in words) == answer
    lanes = np.full(lanes_module.N, counter[1], np.uint32)
    lanes[1:] += np.arange(1, lanes_module.N, dtype=np.uint32)
    found = np.zeros((2, 4, lanes_module.N), np.uint32)
    in_lanes(found, lanes, *(np.uint32(w) for w in (counter[0], *counter[2:], *key)))
    assert tuple(found[0, :, 0].tolist()) == answer
    others = np.tile(np.array(counter, np.uint64), (2, lanes_module.N, 1))
    others[1, :, 0] = (counter[0] + 1) % 2**32
    others[:, :, 1] = lanes
    assert np.array_equal(found.transpose(0, 2, 1), philox(others, key))


@numba.njit
def in_words(c0, c1, c2, c3, k0, k1):  # type: ignore[no-untyped-def]
    """The compiled generator of one counter."""
    return compiled_normals.philox_word(c0, c1, c2, c3, k0, k1)


@numba.njit
def in_lanes(found, lanes, c0, c2, c3, k0, k1):
    """The compiled generator as the kernels use it: sixteen c1 with c0, and with the next."""
    words = compiled_normals.philox_lanes(c0, load(lanes, 0), c2, c3, k0, k1)
    store(found, (0, 0, 0), first_half(words[0]))
    store(found, (0, 1, 0), first_half(words[1]))
    store(found, (0, 2, 0), first_half(words[2]))
    store(found, (0, 3, 0), first_half(words[3]))
    store(found, (1, 0, 0), second_half(words[0]))
    store(found, (1, 1, 0), second_half(words[1]))
    store(found, (1, 2, 0), second_half(words[2]))
    store(found, (1, 3, 0), second_half(words[3]))


def test_uniforms_and_normals_are_distributed_as_they_say() -> None:
    """Kolmogorov and Smirnov at 1e-3 (fixed seed, so it either passes or does not)."""
    u = uniforms((3, 9), np.arange(50000)).ravel()
    assert 0 < u.min() < u.max() < 1
    assert stats.kstest(u, "uniform").pvalue > 1e-3
    z = normals((3, 9), np.arange(50000), 4, 5)
    assert stats.kstest(z.ravel(), "norm").pvalue > 1e-3
    assert abs(np.corrcoef(z.T)[0, 1]) < 4 / np.sqrt(len(z))


def test_draws_depend_on_every_part_of_their_name() -> None:
    base = normals((1, 2), 3, 4, 5)
    others = [((2, 2), 3, 4, 5), ((1, 3), 3, 4, 5), ((1, 2), 4, 4, 5), ((1, 2), 3, 5, 5),
              ((1, 2), 3, 4, 6)]  # fmt: skip
    assert all(not np.allclose(base, normals(*other)) for other in others)


def test_no_two_purposes_share_a_stream() -> None:
    """Two names for one number would draw the same numbers; disturbances and events have ranges."""
    assert all(Stream[name].name == name for name in Stream.__members__)
    assert sorted(Stream)[-2:] == [Stream.DISTURBANCES, Stream.EVENTS]


def test_fast_normals_are_standard_and_independent() -> None:
    """The single-precision normals of the kernels: 400000 of them.

    Intervals of 4.5 sigma; 24-bit words cut the tail at 5.9 sigma, which changes the variance by
    1e-7. Kolmogorov and Smirnov at 1e-3.
    """
    out = np.zeros((100, 2, 2000), np.float32)
    compiled.fill_normals(out, np.arange(2000), 0, 7, (5, int(Stream.AMPLIFIER)))
    z = out.astype(float).ravel()
    n = z.size
    assert abs(z.mean()) < 4.5 / np.sqrt(n)
    assert abs(z.var() - 1) < 4.5 * np.sqrt(2 / n)
    assert abs(stats.skew(z)) < 4.5 * np.sqrt(6 / n)
    assert abs(stats.kurtosis(z)) < 4.5 * np.sqrt(24 / n)
    assert stats.kstest(z, "norm").pvalue > 1e-3
    table = np.corrcoef(out.reshape(200, 2000).astype(float)) - np.eye(200)
    # 19900 pairs: the largest of so many is below 5.2 sigma all but once in 200 times.
    assert np.abs(table).max() < 5.2 / np.sqrt(2000)
    squares = np.corrcoef(out.reshape(200, 2000).astype(float) ** 2) - np.eye(200)
    # Squares have heavy tails: 7 sigma, and their mean close to none.
    assert np.abs(squares).max() < 7 / np.sqrt(2000)
