"""Bias, scatter and the figure that bias cannot flatter, on readings made by hand."""

import numpy as np
import pytest

from sim.camera.places import spread
from sim.foundations.ports import SpotReading, SpotStatus
from sim.studies.estimators.clipping import SPREAD_PX
from sim.studies.estimators.score import score, wrong_beyond_px

GROUPS, REPEATS, NOISE_PX = 32, 64, 0.02


def readings(gain=1.0, shift=0.0, noise_px=NOISE_PX, seed=3):
    truth = np.tile(spread(GROUPS, SPREAD_PX), (REPEATS, 1))
    noise = np.random.default_rng(seed).normal(0, noise_px, truth.shape)
    spot = gain * (truth + noise) + shift
    return truth, spot, np.zeros(len(truth), np.uint8)


def judged(truth, spot, status, wrong_px=0.5):
    reading = SpotReading(np.where(status[:, None] == 0, spot, np.nan), np.ones(len(spot)), status)
    return score(reading, truth, GROUPS, wrong_px)


def test_scatter_bias_and_gain_of_an_honest_reading():
    # 32 x 63 x 2 degrees of freedom: scatter within 3 / sqrt(2 x 4032) = 3.3 %; the mean of a
    # position is known to 0.02 / 8, so a bias of that size is the most that may be left.
    result = judged(*readings())
    assert result.scatter_px == pytest.approx(NOISE_PX, rel=0.034)
    assert result.bias_rms_px < 0.0025 / 2
    assert result.gain == pytest.approx(1.0, abs=0.003)
    assert result.corrected_px == pytest.approx(NOISE_PX, rel=0.05)
    assert result.failure_rate == result.wrong_rate == 0


@pytest.mark.parametrize("gain", [0.5, 0.911, 1.2])
def test_a_shrunken_reading_gains_nothing(gain):
    # Noise shrinks with the answer: the scatter looks better, the calibrated error does not.
    honest, shrunken = judged(*readings()), judged(*readings(gain=gain))
    assert shrunken.scatter_px == pytest.approx(gain * honest.scatter_px, rel=1e-9)
    assert shrunken.corrected_px == pytest.approx(honest.corrected_px, rel=0.01)
    assert shrunken.gain == pytest.approx(gain, abs=0.003)
    # rms of (gain - 1) times the places
    place = spread(GROUPS, SPREAD_PX)
    assert shrunken.bias_rms_px == pytest.approx(
        abs(gain - 1) * np.sqrt(np.mean(place**2)), abs=0.002
    )


def test_always_the_same_reading_has_no_calibrated_error_at_all():
    truth, _, status = readings()
    result = judged(truth, np.zeros_like(truth), status)
    assert result.scatter_px < 1e-12
    assert result.corrected_px is None


def test_a_bent_reading_keeps_its_bend():
    # A sine of a pixel's period is no straight line: its rms stays in the calibrated error.
    truth, spot, status = readings(noise_px=0.002)
    bent = spot + 0.03 * np.sin(2 * np.pi * truth)
    assert judged(truth, bent, status).corrected_px == pytest.approx(0.03 / np.sqrt(2), rel=0.12)


def test_failures_and_wrong_readings_are_rates():
    truth, spot, status = readings()
    status[:20] = SpotStatus.DIM
    status[20:30] = SpotStatus.EDGE
    spot[100:110] += 3.0
    result = judged(truth, spot, status)
    n = len(truth)
    assert result.failure_rate == pytest.approx(30 / n)
    assert (result.dim_rate, result.edge_rate) == (20 / n, 10 / n)
    assert result.wrong_rate == pytest.approx(10 / n)


def test_nothing_read_gives_no_figures():
    truth, spot, status = readings()
    result = judged(truth, spot, np.full_like(status, SpotStatus.FAILED))
    assert result.failure_rate == 1
    assert result.scatter_px is result.bias_rms_px is result.corrected_px is None


def test_wrong_is_half_a_pixel_or_five_bounds():
    assert wrong_beyond_px(0.01) == 0.5
    assert wrong_beyond_px(0.3) == pytest.approx(1.5)


def test_frames_must_fall_into_groups():
    truth, spot, status = readings()
    with pytest.raises(ValueError, match="groups must divide the number of frames, 2048, got 33"):
        score(SpotReading(spot, np.ones(len(spot)), status), truth, 33, 0.5)
