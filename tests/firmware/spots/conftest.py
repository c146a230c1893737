"""Frames of the demo camera, a few of them awkward."""

import numpy as np
import pytest
from mirrorloop.testing.estimators import CAMERA, frames_of_spots

WINDOW = (24, 24)


@pytest.fixture(scope="session")
def camera():
    """Return the demo camera: 10 bit, 0.5 DN/e, black level 32 DN."""
    return CAMERA


@pytest.fixture(scope="session")
def frames():
    """Return noisy spots, near the middle and edges, bright and dim, and even frames."""
    rng = np.random.default_rng(17)
    middle = 11.5 + rng.uniform(-3, 3, size=(40, 2))
    edge = rng.uniform(-1, 24, size=(20, 2))
    spots = np.concatenate([middle, edge])
    light = np.concatenate([np.full(40, 20000.0), rng.uniform(300, 20000, 20)])
    noisy = frames_of_spots(spots, signal_e=light, shape=WINDOW, rng=rng)
    flat = np.stack([np.full(WINDOW, level) for level in (0, 32, 1023)]).astype(np.int32)
    half = np.zeros((1, *WINDOW), np.int32)
    half[:, :, 12:] = 1023
    return np.concatenate([noisy, flat, half])
