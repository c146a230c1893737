"""The fit behind equivalent noise, on readings whose error is known exactly."""

import numpy as np
import pytest

from sim.camera import noise_fit
from sim.camera.noise_fit import LEAST_VARIANCE, fill_table
from sim.camera.places import spread
from sim.foundations.errors import ScenarioError
from sim.foundations.ports import SpotReading, SpotStatus

WINDOW = (24, 30)
MIDDLE = np.array([14.5, 11.5])
SIGMA = 0.01


@pytest.fixture(autouse=True)
def _fewer_spots(monkeypatch):
    monkeypatch.setattr(noise_fit, "SPOTS", 1024)


def known(places):
    """Mean error (N, 2) and root of the covariance (N, 3) of a made-up estimator. [px]"""
    x, y = places.T
    away = places - MIDDLE
    mean = np.stack(
        [
            0.05 * np.sin(2 * np.pi * x) + 2e-3 * away[:, 0],
            0.03 * np.cos(4 * np.pi * y) * np.sin(2 * np.pi * x) - 5e-5 * away[:, 1] ** 3,
        ],
        axis=1,
    )
    xx, yx = 1.0 + 0.2 * np.cos(2 * np.pi * x), 0.4 + 0.05 * away[:, 1]
    variance = np.stack([xx, yx, 1.5 + 0.03 * away[:, 0] ** 2 + yx**2 / xx], axis=1)
    root_xx = np.sqrt(variance[:, 0])
    root_yx = variance[:, 1] / root_xx
    root_yy = np.sqrt(variance[:, 2] - root_yx**2)
    return mean, SIGMA * np.stack([root_xx, root_yx, root_yy], axis=1)


def reader(lost=lambda away: np.zeros(len(away), bool), more=lambda away: 0.0):
    """Readings of that estimator, some of them lost, some with an error more."""

    def read(spots_px, batch):
        places = spots_px.T
        away = places - MIDDLE
        mean, (xx, yx, yy) = known(places)[0], known(places)[1].T
        z = np.random.default_rng(batch).standard_normal((2, len(places)))
        error = mean + np.stack([xx * z[0] + more(away), yx * z[0] + yy * z[1]], axis=1)
        gone = lost(away)
        light = np.where(np.abs(away).max(axis=1) <= 0.75, 1000.0, 4000.0)
        status = np.where(gone, SpotStatus.EDGE, SpotStatus.OK).astype(np.uint8)
        return SpotReading(np.where(gone[:, None], np.nan, places + error), light, status)

    return read


def nodes(table):
    """Places (G * G, 2) of a table's nodes in the window."""
    count = np.arange(len(table.bias_px)) / table.nodes_per_px
    y, x = np.meshgrid(table.first_y_px + count, table.first_x_px + count, indexing="ij")
    return np.stack([x.ravel(), y.ravel()], axis=1)


def test_the_table_holds_what_the_estimator_does():
    # 24 576 readings, three quarters of them near the middle, for 76 terms: if one of the two
    # regions had to carry all terms, the mean of the squared error there would be 76 parts of the
    # variance over its readings, and half of that for the root of a variance. Variances here are
    # up to 3.4 of SIGMA^2: twice as much is allowed.
    table = fill_table(WINDOW, reader())
    assert (table.reach_px, table.nodes_per_px, table.light_dn) == (8.0, 16.0, 1000.0)
    assert (table.first_x_px, table.first_y_px) == (6.5, 3.5)
    assert table.bias_px.shape == (257, 257, 2) and table.root_px.shape == (257, 257, 3)
    places = nodes(table)
    mean, root = known(places)
    near = np.abs(places - MIDDLE).max(axis=1) <= 0.75
    for here, readings in ((near, 18_432), (~near, 6_144)):
        error = (table.bias_px.reshape(-1, 2) - mean)[here] / SIGMA
        assert (error**2).mean() < 2 * 76 / readings
        off = (table.root_px.reshape(-1, 3) - root)[here] / SIGMA
        assert (off**2).mean() < 2 * 76 / readings


def test_a_table_reaches_as_far_as_every_spot_was_read():
    table = fill_table(WINDOW, reader(lost=lambda away: away[:, 0] > 4.3))
    assert 4.3 < table.reach_px < 4.35  # up to the nearest one that was lost
    assert len(table.bias_px) == 2 * np.ceil(16 * table.reach_px) + 1
    with pytest.raises(ScenarioError, match=r"\d+ of 24[67]\d\d spots within 1 px of the window's"):
        fill_table(WINDOW, reader(lost=lambda away: away[:, 1] < -0.9))


def test_a_table_stays_within_the_shorter_side_of_a_window():
    """Of 14 by 30 pixels: 6.5 px from the middle to the outermost centres, half of 13."""

    def read(spots_px, batch):
        error = SIGMA * np.random.default_rng(batch).standard_normal(spots_px.T.shape)
        count = len(error)
        return SpotReading(
            spots_px.T + error, np.full(count, 1000.0), np.full(count, SpotStatus.OK, np.uint8)
        )

    for window in ((14, 30), (30, 14)):
        assert fill_table(window, read).reach_px == 6.5


def test_a_table_that_does_not_hold_is_tried_smaller_and_then_refused():
    # A step is no sum of waves and powers. Beyond 5.3 px: 8, 6.4, then 5.12 px.
    step = reader(more=lambda away: 0.1 * (np.abs(away).max(axis=1) > 5.3))
    assert fill_table(WINDOW, step).reach_px == pytest.approx(8 * 0.8**2)
    fine = reader(more=lambda away: 0.1 * np.sin(10 * np.pi * (away[:, 0] + MIDDLE[0])))
    with pytest.raises(ScenarioError, match="within 0.5 px.*mean error depends on more than"):
        fill_table(WINDOW, fine)


def test_misfits_of_noise_alone_scatter_about_nothing_as_much_as_is_said():
    # Means over bins of 400 normal numbers: their squares less what is due have the mean 0, and
    # 2 own^2 is the variance of each (chi-squared). 200 draws know their spread to 5 %; 4 of those.
    rng = np.random.default_rng(3)
    bins = np.repeat(np.arange(16), 400)
    found = np.array([noise_fit._misfits(rng.normal(size=(6400, 2)), bins) for _ in range(200)])
    for what in range(2):
        misfit, chance = found[:, what].T
        assert abs(misfit.mean()) < 4 * misfit.std() / np.sqrt(200)
        assert misfit.std() == pytest.approx(chance.mean(), rel=0.2)
    # A mean of 0.3 in each bin is a mean square of 0.09 to both axes; a bin with one reading that
    # has no spread is left out.
    moved = noise_fit._misfits(rng.normal(size=(6401, 2)) + 0.3, np.append(bins, 16))
    assert moved[0][0] == pytest.approx(0.09, abs=5 * 2 * 0.3 * np.sqrt(1 / 12800))
    wide = noise_fit._misfits(np.sqrt(1.5) * rng.normal(size=(6400, 2)), bins)
    assert wide[1][0] == pytest.approx(0.25, abs=0.1)


def test_bins_are_squares_of_a_pixel_and_sectors_of_a_turn():
    at = (np.arange(8) + 0.5) / 8 - 0.5
    x, y = np.meshgrid(at, at)
    squares = noise_fit._squares(np.stack([x.ravel(), y.ravel()], axis=1))
    np.testing.assert_array_equal(squares, np.arange(64))
    corners = np.array([[-0.6, -0.6], [0.6, -0.6], [-0.6, 0.6], [0.5, 0.5]])
    assert noise_fit._squares(corners).tolist() == [0, 7, 56, 63]
    turn = 2 * np.pi * ((np.arange(8) + 0.5) / 8 - 0.5)
    places = 3.0 * np.stack([np.cos(turn), np.sin(turn)], axis=1)
    assert noise_fit._sectors(places).tolist() == list(range(8))
    assert noise_fit._sectors(np.array([[-1.0, 0.0], [-1.0, -0.0]])).tolist() == [7, 0]


def test_covariances_are_held_positive():
    # Cholesky: numpy.linalg.cholesky gives the same where nothing is held.
    good = np.array([[4.0, 1.0, 3.0], [1.0, -0.5, 2.0]])
    roots = noise_fit._root(good)
    for (xx, yx, yy), root in zip(good, roots, strict=True):
        lower = np.linalg.cholesky([[xx, yx], [yx, yy]])
        np.testing.assert_allclose(root, [lower[0, 0], lower[1, 0], lower[1, 1]])
    bad = noise_fit._root(np.array([[-1.0, 0.0, 5.0], [4.0, 5.0, 4.0], [4.0, 0.0, -3.0]]))
    floor = LEAST_VARIANCE * (-1 + 5 + 4 + 4 + 4 - 3) / 6
    assert bad[0, 0] == pytest.approx(np.sqrt(floor))
    assert bad[1:, 2] == pytest.approx(np.sqrt(floor))


def test_a_bin_of_two_readings_counts():
    # The square of a mean is best estimated without bias from two by their product: 1 x 3, 2 x 5.
    white = np.array([[1.0, 2.0], [3.0, 5.0]])
    (misfit, _), _ = noise_fit._misfits(white, np.zeros(2, np.int64))
    assert misfit == pytest.approx((1 * 3 + 2 * 5) / 2)


def test_batches_go_on_where_the_last_one_ended():
    near = round(noise_fit.CORE_SHARE * noise_fit.SPOTS)
    batches = [noise_fit._places(batch, 5.0) for batch in range(3)]
    core = np.concatenate([places[:near] for places in batches])
    far = np.concatenate([places[near:] for places in batches])
    np.testing.assert_allclose(core, spread(len(core), noise_fit.CORE_PX), atol=1e-12)
    np.testing.assert_allclose(far, spread(len(far), 5.0), atol=1e-11)


def test_a_bias_at_the_outermost_ring_alone_is_found():
    flat = np.zeros((len(noise_fit._terms(np.zeros((1, 2)), MIDDLE, 8.0)[0]), 2))
    root = np.zeros((len(flat), 3))
    root[0] = SIGMA**2, 0.0, SIGMA**2  # the constant term of variances without a covariance
    fit = noise_fit._Fit(8.0, MIDDLE, flat, root)
    rng = np.random.default_rng(6)
    offset = rng.uniform(-8.0, 8.0, (40_000, 2))
    error = SIGMA * rng.standard_normal(offset.shape)
    ok = np.ones(len(offset), bool)
    assert noise_fit._fault(fit, noise_fit._Sample(offset, error, ok)) is None
    error[np.abs(offset).max(axis=1) > 7.5] += 2 * SIGMA
    assert "mean error" in str(noise_fit._fault(fit, noise_fit._Sample(offset, error, ok)))
