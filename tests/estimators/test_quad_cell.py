"""Quad cell: its curve, its inverse, its slope with a gap, its shot noise."""

import numpy as np
import pytest
from scipy.special import erfc, ndtr

from sim.estimators.quad_cell import offset_from_balance, quad_cell
from sim.foundations.ports import CameraBelief, SpotStatus

OPEN = {"min_flux_dn": 10.0, "edge_px": 0.0}


def balance(offset, half_gap):
    """(right - left) / (right + left) of a normal density, beyond a gap on either side."""
    right, left = ndtr(offset - half_gap), ndtr(-offset - half_gap)
    return (right - left) / (right + left)


@pytest.mark.parametrize(
    ("offset_w", "ratio"),
    [(0.05, 0.07965567), (0.1, 0.15851942), (0.25, 0.38292492), (0.5, 0.68268949), (1, 0.95449974)],
)
def test_curve_is_the_error_function(offset_w, ratio):
    # Exact: erf(sqrt 2 x / w), with w = 2 s the 1/e^2 radius of the intensity. Tolerance 1e-6.
    assert offset_from_balance(ratio) == pytest.approx(2 * offset_w, abs=1e-6)
    assert offset_from_balance(-ratio) == pytest.approx(-2 * offset_w, abs=1e-6)


@pytest.mark.parametrize(
    ("half_gap_w", "slope"), [(0.0, 1.595769), (0.05, 1.72523), (0.1, 1.85883), (0.2, 2.13751)]
)
def test_a_gap_makes_the_curve_steeper(half_gap_w, slope):
    # Exact: sqrt(8 / pi) exp(-2 g^2) / erfc(sqrt 2 g) per w; five and six printed digits.
    exact = np.sqrt(8 / np.pi) * np.exp(-2 * half_gap_w**2) / erfc(np.sqrt(2) * half_gap_w)
    assert exact == pytest.approx(slope, abs=1e-5)
    step = 1e-4
    offset_w = offset_from_balance(step, 2 * half_gap_w) / 2
    assert step / offset_w == pytest.approx(slope, abs=1e-5)


@pytest.mark.parametrize("half_gap", [0.0, 0.05, 0.5, 1.5, 4.0])
def test_inverse_undoes_the_curve(half_gap):
    # Up to a ratio of 0.999; the curve flattens beyond, and its inverse loses digits.
    ratio = np.linspace(-0.999, 0.999, 401)
    offset = offset_from_balance(ratio, half_gap)
    np.testing.assert_allclose(balance(offset, half_gap), ratio, atol=1e-12)
    assert np.all(np.diff(offset) > 0)


def test_a_full_imbalance_has_no_position():
    assert np.isnan(offset_from_balance([1.0, -1.0, 1.2])).all()


@pytest.mark.parametrize("gap_px", [0, 2, 4])
def test_noise_free_frames_are_read_exactly(make_frames, fine_camera, gap_px):
    # The cells' sides are pixel sides, so pixels add no error; left is rounding to digital numbers,
    # which cuts off the faint tail: 6.5e-6 px at this light, ten times that at a tenth of it.
    spots = 11.5 + np.random.default_rng(14).uniform(-1.5, 1.5, (30, 2))
    frames = make_frames(spots, fine_camera, 1e8)
    reading = quad_cell(frames, camera=fine_camera, gap_px=gap_px, **OPEN)
    np.testing.assert_allclose(reading.spot_px, spots, atol=1e-5)


def test_a_wider_spot_than_believed_reads_short(make_frames, fine_camera):
    spots = np.array([[11.6, 11.5]])
    frames = make_frames(spots, fine_camera._replace(spot_sigma_px=1.32), 1e6)
    reading = quad_cell(frames, camera=fine_camera, **OPEN)
    assert reading.spot_px[0, 0] - 11.5 == pytest.approx(0.1 / 1.1, rel=1e-3)


def test_shot_noise(make_frames, fine_camera):
    # Exact: sqrt(pi / 2) = 1.253314 of s / sqrt(N) at the middle. Tolerance 3 / sqrt(2 n) of
    # n = 4000 values, 3.4 %.
    dark = fine_camera._replace(background_e=0.0, read_noise_e=0.0)
    n, signal_e = 2000, 10000
    frames = make_frames(np.full((n, 2), 11.5), dark, signal_e, rng=np.random.default_rng(15))
    reading = quad_cell(frames, camera=dark, **OPEN)
    wanted = 1.253314 * 1.2 / np.sqrt(signal_e)
    assert reading.spot_px.std() == pytest.approx(wanted, rel=3 / np.sqrt(4 * n))


def test_a_spot_beyond_the_curve_is_failed(make_frames, camera):
    frames = make_frames([[11.5, 11.5], [18.0, 11.5]], camera, 20000)
    reading = quad_cell(frames, camera=camera, **OPEN)
    assert reading.status.tolist() == [SpotStatus.OK, SpotStatus.FAILED]


@pytest.mark.parametrize(("shape", "gap_px"), [((24, 24), 1), ((23, 23), 0), ((24, 24), 24)])
def test_unequal_halves_are_refused(camera, shape, gap_px):
    with pytest.raises(ValueError, match="gap_px must leave two equal halves"):
        quad_cell(np.zeros((1, *shape), np.int32), camera=camera, gap_px=gap_px, **OPEN)


def test_light_of_half_a_digital_number_is_light():
    """The background believed in is below none, so that an empty window adds to half a DN, evenly.

    Exact: cells that are alike put the spot into the window's middle, whatever they hold.
    """
    believed = CameraBelief(0.0, 1.0, -1 / 32, 0.0, 2**10, 1.5)
    frame = np.zeros((1, 4, 4), np.int32)
    even = quad_cell(frame, camera=believed, gap_px=0, min_flux_dn=0.1, edge_px=0.0, max_ratio=0.9)
    assert even.flux_dn[0] == 0.5 and even.status[0] == SpotStatus.OK
    np.testing.assert_allclose(even.spot_px[0], [1.5, 1.5], atol=1e-12)
