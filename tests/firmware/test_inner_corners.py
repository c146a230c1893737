"""Windows at roundings inside estimators: ties recomputed by hand, and faults that they notice."""

from fractions import Fraction

import numpy as np
import pytest

from sim.firmware import inner_corners as search
from sim.firmware.inner_corners import inner_corners
from sim.firmware.spots import logarithm, noting, quad_cell, tables
from sim.foundations.ports import SpotStatus
from sim.studies.firmware.windows import windows_of
from tests.firmware.made_firmware import small
from tests.studies.firmware.test_firmware import RULES, SPOTS

DIVIDER = 'estimator.arithmetic={kind="fixed"}'


@pytest.fixture(scope="module")
def found():
    """Return, for a kind, its estimator and the windows of each corner."""
    known = {}

    def of(kind, more=DIVIDER):
        if (kind, more) not in known:
            built = small(f"estimator.kind={kind}", *SPOTS[kind], *RULES, more)
            estimator = built.parts.measurement.estimator
            camera = built.resolved.camera
            windows = [w.pixels_dn for w in windows_of(camera, estimator) if w.rows is None]
            used = np.stack(windows)
            used = used[estimator.read(used).status == SpotStatus.OK]
            full = 2**camera.bits - 1
            known[kind, more] = (
                estimator, inner_corners(estimator.read, estimator.words, used, full), full
            )  # fmt: skip
        return known[kind, more]

    return of


def at(corners, place, side=0):
    """Return the window of a corner."""
    (corner,) = [c for c in corners if (c.place, c.side) == (place, side)]
    return corner


def test_ties_of_the_quad_cell_are_ties_by_hand(found):
    """Sums, balance and both roundings in plain whole numbers and fractions."""
    estimator, corners, full = found("quad_cell")
    words = estimator.words

    def balances(window):
        v = (window.astype(object) << words.level.fraction) - words.level.word
        w, h = words.half_width, words.half_height
        left, right, top, bottom = (
            v[np.ix_(rows, columns)].sum()
            for rows, columns in (
                (gap(v.shape[0], h), range(w)),
                (gap(v.shape[0], h), range(v.shape[1] - w, v.shape[1])),
                (range(h), gap(v.shape[1], w)),
                (range(v.shape[0] - h, v.shape[0]), gap(v.shape[1], w)),
            )
        )
        return [Fraction((b - a) << 16, left + right) for a, b in ((left, right), (top, bottom))]

    def gap(side, half):
        return [*range(half), *range(side - half, side)]

    def curve(window):
        offsets = []
        for r in balances(window):
            size = abs(round_up(r))
            i, f = size >> 8, size & 255
            offsets.append(((words.curve[i + 1] - words.curve[i]) * f, np.sign(r)))
        return offsets

    def round_up(x):
        return (x + Fraction(1, 2)).__floor__()

    for side in (-1, 1):
        corner = at(corners, "balance", side)
        apart = [(r - (r.__floor__() + Fraction(1, 2))) for r in balances(corner.window)]
        assert float(min(abs(a) for a in apart if (a > 0) == (side > 0))) == corner.share
    between = [value % 256 for value, _ in curve(at(corners, "curve between two entries").window)]
    assert 128 in between
    for side in (-1, 0, 1):
        window = at(corners, "position", side).window
        assert window.min() >= 0 and window.max() <= full
        rests = []
        for (value, sign), r in zip(curve(window), balances(window), strict=True):
            whole = words.curve[abs(round_up(r)) >> 8] + ((value + 128) >> 8)
            rests.append(int(sign) * whole % 16)
        assert 8 + side in rests


def test_ties_of_logarithms_and_correlations_are_ties_by_hand(found):
    estimator, corners, _ = found("matched_filter")
    words = estimator.words
    taps, reach, bits = words.matched.along_x, words.matched.reach, words.matched.fraction
    for side in (-1, 0, 1):
        window = at(corners, "correlation along a row", side).window
        rests = set()
        for row in window.tolist():
            v = [(p << words.level.fraction) - words.level.word for p in row]
            for i, own in enumerate(taps):
                part = [(tap, i + k - reach) for k, tap in enumerate(own)]
                total = sum(tap * v[place] for tap, place in part if 0 <= place < len(v))
                rests.add(total % (1 << bits))
        # Light is whole DN here, so the least step of a sum is that of one DN.
        assert words.level.word % (1 << words.level.fraction) == 0
        assert (1 << (bits - 1)) + (side << words.level.fraction) in rests
    corner = at(corners, "logarithm between two entries")
    light = tables.correlations(
        tables.above(corner.window[None], words.level), words.matched, words.sum_bits
    )[0]
    j, i = np.unravel_index(int(light.argmax()), light.shape)
    rests = []
    for value in (light[j, i], light[j, i - 1], light[j - 1, i], light[j, i + 1], light[j + 1, i]):
        e = int(value).bit_length() - 1
        m = (int(value) << 16 >> e) - (1 << 16)
        table = words.logarithms
        rests.append((table[(m >> 8) + 1] - table[m >> 8]) * (m & 255) % 256)
    assert 128 in rests


REACHED = {
    "quad_cell": ("curve between two entries", "position"),
    "log_peak": ("logarithm between two entries",),
    "matched_filter": ("correlation along a row", "logarithm between two entries"),
    "weighted_centroid": ("correlation along a row", "entry of the table", "sums of a row"),
    "gaussian_fit": (
        "correlation along a row", "entry of the tables", "sums of a row", "A g1", "A s2"
    ),
}  # fmt: skip
NO_TIE = {"gaussian_fit": ("p2", "s2", "sp", "g2", "g1^2")}


@pytest.mark.parametrize("kind", sorted(REACHED))
def test_shifts_inside_are_reached_on_a_tie_and_the_rest_is_said(found, kind):
    estimator, corners, full = found(kind)
    pixels = np.stack([c.window for c in corners if c.window is not None])
    assert (pixels >= 0).all() and (pixels <= full).all()
    assert (estimator.read(pixels).status == SpotStatus.OK).all()
    for place in REACHED[kind]:
        assert at(corners, place).share == 0.0
    for place in NO_TIE.get(kind, ()):  # proven: every place of the spot was gone through
        corner = at(corners, place)
        assert corner.window is None and np.isinf(corner.nearest) and corner.places > 100_000
    for corner in corners:
        quotient = corner.place in ("balance", "offset", "moment over light", "step", "light A")
        if quotient and corner.side and kind != "weighted_centroid":
            assert corner.share < 1e-3


TELLING = {
    "quad_cell": {"curve between two entries", "position"},
    "log_peak": {"logarithm between two entries"},
    "matched_filter": {"correlation along a row", "logarithm between two entries"},
    "weighted_centroid": {"correlation along a row", "entry of the table"},
    "gaussian_fit": {"entry of the tables", "sums of a row"},
}


@pytest.mark.parametrize("kind", sorted(TELLING))
def test_a_tie_that_goes_the_other_way_is_noticed(found, kind):
    """Windows are taken whose reading shows the tie, where any does."""
    estimator, corners, _ = found(kind)
    telling = {corner.place for corner in corners if corner.telling}
    assert telling >= TELLING[kind]
    for place in telling:
        window = at(corners, place).window[None]
        with noting.ties_otherwise(place):
            other = estimator.read(window).position
        assert (other != estimator.read(window).position).any(), place


def test_a_rule_for_ties_put_in_place_of_another_is_noticed(found, monkeypatch):
    """Ties down in place of up, in the quad cell, by a patch of its own."""
    estimator, corners, _ = found("quad_cell")
    windows = np.stack([c.window for c in corners if c.window is not None])
    right = estimator.read(windows).position

    def down(place, values, bits, rule):
        return (values + (1 << bits - 1) - 1) >> bits

    monkeypatch.setattr(quad_cell, "shifted_at", down)
    assert (estimator.read(windows).position != right).any()


def test_nothing_is_noted_when_nobody_watches_and_readings_stay(found):
    estimator, corners, _ = found("log_peak")
    windows = np.stack([c.window for c in corners if c.window is not None])
    alone = estimator.read(windows)
    with noting.noting() as notes:
        watched = estimator.read(windows)
    count = len(notes)
    np.testing.assert_array_equal(alone.position, watched.position)
    estimator.read(windows)
    assert count == len(notes) == 2
    values = np.array([1, 300, 70_000, 2**40])
    exact = np.log2(values.astype(float)) * 2**16
    assert np.abs(logarithm.log_words(values, estimator.words.logarithms) - exact).max() < 3


def test_the_search_is_the_same_each_time(found, monkeypatch):
    monkeypatch.setattr(search, "BATCHES", 2)
    monkeypatch.setattr(search, "ROUNDS", 1)
    estimator, corners, full = found("quad_cell")
    windows = np.stack([c.window for c in corners if c.window is not None])
    first, second = (
        inner_corners(estimator.read, estimator.words, windows, full) for _ in range(2)
    )
    for one, other in zip(first, second, strict=True):
        assert one.share == other.share
        np.testing.assert_array_equal(one.window, other.window)
