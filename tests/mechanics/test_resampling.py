"""Reading between samples: pass band, stop band, samples kept."""

import numpy as np
import pytest

from sim.mechanics.resampling import LOBES, read_between

RATE_HZ = 100.0


def sine(frequency_hz, rate_hz, count):
    return np.exp(2j * np.pi * frequency_hz * np.arange(count) / rate_hz)


def read_complex(samples, position, stride):
    parts = read_between(np.column_stack([samples.real, samples.imag]), position, stride=stride)
    return parts[:, 0] + 1j * parts[:, 1]


@pytest.mark.parametrize("stride", [1 / 200, 1 / 97.3, 1.0, 2.7, 10.0])
def test_pass_band_is_flat_up_to_two_fifths_of_the_lower_rate(stride):
    # The stated figure, 0.01 %, for whole sines (amplitude and delay together).
    lower = RATE_HZ / max(1.0, stride)
    count = int(400 * max(1.0, stride))
    middle = np.arange(0.3 * count, 0.7 * count, stride)[:4000] + 0.123
    for share in (0.0, 0.1, 0.25, 0.35, 0.4):
        f = share * lower
        got = read_complex(sine(f, RATE_HZ, count), middle, stride)
        want = np.exp(2j * np.pi * f * middle / RATE_HZ)
        assert np.abs(got - want).max() < 1e-4, share


@pytest.mark.parametrize("stride", [2.7, 10.0])
def test_what_would_alias_is_held_down(stride):
    lower = RATE_HZ / stride
    count = int(400 * stride)
    middle = np.arange(0.3 * count, 0.7 * count, stride) + 0.123
    for share in (0.6, 0.8, 1.0, 1.2):
        got = read_complex(sine(share * lower, RATE_HZ, count), middle, stride)
        assert np.abs(got).max() < 1e-4, share


def test_images_of_the_record_rate_are_held_down():
    # Raised to 5 kHz, a 35 Hz sine must not carry its image at 65 Hz: both lines are found in the
    # spectrum of a whole number of periods of each (20 periods of 5 Hz).
    position = np.arange(20_000) / 50 + 100
    got = read_between(sine(35.0, RATE_HZ, 700).real[:, None], position, stride=1 / 50)[:, 0]
    lines = 2 * np.abs(np.fft.rfft(got)) / len(got)
    spacing_hz = 50 * RATE_HZ / len(got)
    assert lines[round(35 / spacing_hz)] == pytest.approx(1.0, abs=1e-4)
    assert lines[round(65 / spacing_hz)] < 1e-4


def test_samples_are_kept_and_outside_is_quiet():
    samples = np.random.default_rng(0).normal(size=(200, 2))
    got = read_between(samples, np.arange(200.0), stride=0.01)
    np.testing.assert_allclose(got, samples, atol=1e-12)
    far = read_between(samples, np.array([-LOBES - 1.0, 199.0 + LOBES + 1.0]), stride=0.01)
    np.testing.assert_array_equal(far, 0.0)


@pytest.mark.parametrize(
    ("samples", "position", "stride", "match"),
    [
        ([1.0], [0.0], 1.0, r"samples must be \(N, C\), got shape \(1,\)"),
        ([[1.0]], 0.0, 1.0, r"position must be \(K,\), got shape \(\)"),
        ([[1.0]], [0.0], 0.0, "stride must be positive and finite, got 0.0"),
    ],
)
def test_bad_input_is_refused(samples, position, stride, match):
    with pytest.raises(ValueError, match=match):
        read_between(samples, position, stride=stride)
