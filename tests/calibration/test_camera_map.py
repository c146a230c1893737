"""Scale, rotation and distortion from points: closed forms, other routes, coverage."""

import numpy as np
import pytest

from sim.calibration.camera_map import fit_map
from sim.calibration.similarity import similarity

POINTS = np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0], [1.0, 1.0], [2.0, 0.5]])
NOISE = np.array([[0.01, -0.02], [-0.015, 0.005], [0.02, 0.01], [-0.01, 0.015], [0.0, -0.01]])
TURN = np.array([[np.cos(np.pi / 6), -np.sin(np.pi / 6)], [np.sin(np.pi / 6), np.cos(np.pi / 6)]])
SEEN = 1.2 * POINTS @ TURN.T + [0.5, -0.25] + NOISE


def test_similarity_of_five_points() -> None:
    """Complex least squares b = (s e^(ia)) p + t, solved here."""
    found = similarity(POINTS, SEEN)
    p, q = (a[:, 0] + 1j * a[:, 1] for a in (POINTS, SEEN))
    solution, *_ = np.linalg.lstsq(np.stack([p, np.ones(5)], axis=1), q, rcond=None)
    assert found.scale == pytest.approx(abs(solution[0]), rel=1e-12)
    assert found.rotation_rad == pytest.approx(np.angle(solution[0]), rel=1e-12)
    assert complex(*found.shift) == pytest.approx(solution[1], rel=1e-12)
    assert np.degrees(found.rotation_rad) == pytest.approx(29.974867, abs=5e-7)
    assert found.scale == pytest.approx(1.1969622, abs=5e-8)
    np.testing.assert_allclose(found.shift, [0.5019079, -0.2472368], atol=5e-8)

    left = q - (solution[0] * p + solution[1])
    assert float((abs(left) ** 2).sum()) == pytest.approx(1.6338816e-3, abs=5e-11)


def test_similarity_is_not_its_inverse_turned_about() -> None:
    """Least squares put the error into what was seen: fitted backwards the scale is another. The
    ratio of the two spreads lies between, as their geometric mean (both scales are the points'
    correlation over one spread's square)."""
    there, back = similarity(POINTS, SEEN).scale, 1 / similarity(SEEN, POINTS).scale
    assert back == pytest.approx(1.1973214, abs=5e-8)
    spread = [np.sqrt(((a - a.mean(axis=0)) ** 2).sum()) for a in (SEEN, POINTS)]
    assert np.sqrt(there * back) == pytest.approx(spread[0] / spread[1], rel=1e-12)


def test_scatter_of_similarity_is_the_propagated_one() -> None:
    """Noise of 0.01 on each coordinate: sigma / (s sqrt(S)) of the angle, sigma / sqrt(S) of the
    scale, S the points' sum of squares about their middle; 4.27490e-3 rad and 5.12989e-3. 4000
    draws: 1.1 % standard error, four of them."""
    rng = np.random.default_rng(8)
    clean = 1.2 * POINTS @ TURN.T + [0.5, -0.25]
    found = [similarity(POINTS, clean + 0.01 * rng.normal(size=(5, 2))) for _ in range(4000)]
    assert np.std([f.rotation_rad for f in found]) == pytest.approx(4.27490e-3, rel=0.045)
    assert np.std([f.scale for f in found]) == pytest.approx(5.12989e-3, rel=0.045)


def test_mirrored_points_are_refused() -> None:
    """The best rotation of a mirror image has less than half the scale, and says nothing of it."""
    with pytest.raises(ValueError, match="mirror image"):
        similarity(POINTS, SEEN * [1.0, -1.0])
    with pytest.raises(ValueError, match="both axes"):
        similarity(POINTS * [1.0, 0.0], SEEN * [1.0, 0.0])


def seen(tilt, scale, angle, k, put, rng, noise=0.03):
    """Places in complex numbers, without the code under test; corner at 700 px."""
    z = (scale * (tilt[:, 0] + 1j * tilt[:, 1]) + put) * np.exp(1j * angle)
    z = z * (1 + k * abs(z) ** 2 / 700.0**2)
    z = z + noise * (rng.normal(size=len(z)) + 1j * rng.normal(size=len(z)))
    return np.stack([z.real, z.imag], axis=1)


def test_fit_of_a_plate_and_how_often_its_intervals_hold() -> None:
    """200 plates of 63 dots: each interval of 95 % within 3 binomial standard errors and a little
    for its few groups, 0.88 to 0.995."""
    rng = np.random.default_rng(8)
    grid = np.stack(np.meshgrid(np.linspace(-900, 900, 9), np.linspace(-600, 600, 7)), -1)
    tilt = grid.reshape(-1, 2)
    home = np.zeros_like(tilt)
    truth = np.array([0.5, 4.0, -1.0])
    held, values = [], []
    for _ in range(200):
        places = seen(tilt, 0.5, 4e-3, -0.01, complex(3.0, -5.0), rng)
        found = fit_map(home, tilt, places, 700.0, np.arange(63), shifted=True)
        values.append(found[:3])
        held.append(np.abs(np.array(found[:3]) - truth) < 1.96 * found.deviations)
    share = np.mean(held, axis=0)
    assert (share > 0.88).all() and (share < 0.995).all(), share
    off = np.abs(np.mean(values, axis=0) - truth)
    assert (off < 4 * np.std(values, axis=0) / np.sqrt(200)).all(), off


def test_errors_that_mirrors_share_are_counted_once() -> None:
    """40 mirrors, five steps each, gains that scatter by 3 %: the scale is known to 3 % over the
    root of 80 axes, 0.34 %, however little the readings scatter."""
    rng = np.random.default_rng(9)
    values, deviations = [], []
    for _ in range(60):
        home = np.repeat(rng.uniform(-500, 500, (40, 2)), 10, axis=0)
        steps = np.array([[s, 0] for s in (-40, -20, 0, 20, 40)] + [[0, s] for s in
                         (-40, -20, 0, 20, 40)])  # fmt: skip
        tilt = np.tile(steps, (40, 1)).astype(float)
        gain = np.repeat(1 + 0.03 * rng.normal(size=(40, 2)), 10, axis=0)
        places = home + 0.5 * gain * tilt + 0.01 * rng.normal(size=tilt.shape)
        found = fit_map(home, tilt, places, 700.0, np.repeat(np.arange(40), 10), shifted=False)
        values.append(found.scale_px_per_mrad)
        deviations.append(found.deviations[0])
    wanted = 0.5 * 0.03 / np.sqrt(80)
    assert np.std(values) == pytest.approx(wanted, rel=0.3)
    assert np.mean(deviations) == pytest.approx(wanted, rel=0.1)
