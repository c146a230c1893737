"""Filter sections against scipy's transformations and against a worked notch."""

import math
from typing import Any

import numpy as np
import pytest
from pydantic import TypeAdapter
from scipy import signal

from controllers.sections import (
    SectionParams,
    folded_hz,
    lead_coefficients,
    low_pass_coefficients,
    notch_coefficients,
    section_rows,
)
from sim.foundations.ports.linear_law import LawMatrices, LinearLaw, hand_over, law_step

FRAME_S = 1e-3


def section(**settings: Any) -> Any:
    return TypeAdapter(SectionParams).validate_python(settings)


def passing(rows: np.ndarray) -> LinearLaw:
    """Return a law whose correction is the filtered mismatch."""
    return LinearLaw.of(LawMatrices.of(0, D=1.0), LawMatrices.of(0, H=1.0), sections=rows)


def respond(rows: np.ndarray, n: int) -> np.ndarray:
    """Return the pulse response (n, 2) of both axes."""
    law, seen, far = passing(rows), np.ones((1, 2), dtype=bool), np.full((1, 2), 9.0)
    state = hand_over(law, np.zeros((1, 2)))
    out = np.empty((n, 2))
    for k in range(n):
        state = law_step(law, state, np.full((1, 2), float(k == 0)), seen, -far, far)
        out[k] = state.correction_rad[0]
    return out


def test_notch_coefficients_of_a_worked_case() -> None:
    # Exact: bilinear with prewarping at 1 kHz, Q = 10, sampled at 10 kHz: a2 = (1-x)/(1+x),
    # a1 = -2 cos(w)/(1+x), x = sin(w)/(2Q), worked to nine decimals.
    b0, b1, b2, a1, a2 = notch_coefficients(1000.0, 10.0, 0.0, 1e-4)
    assert a1 == pytest.approx(-1.571838805, abs=1e-9)
    assert a2 == pytest.approx(0.942899613, abs=1e-9)
    assert (b0, b2) == pytest.approx((0.5 * (1.0 + a2),) * 2)
    assert b1 == pytest.approx(a1)


@pytest.mark.parametrize("floor", [0.0, 0.25])
def test_notch_against_scipy_bilinear(floor: float) -> None:
    w = 2.0 / FRAME_S * math.tan(math.pi * 180.0 * FRAME_S)
    b, a = signal.bilinear([1, floor * w / 4, w**2], [1, w / 4, w**2], 1.0 / FRAME_S)
    got = notch_coefficients(180.0, 4.0, floor, FRAME_S)
    np.testing.assert_allclose(got, [*b, *a[1:]], rtol=1e-12, atol=1e-14)
    _, response = signal.freqz(got[:3], [1, *got[3:]], [0.0, 180.0, 499.999], fs=1.0 / FRAME_S)
    np.testing.assert_allclose(np.abs(response), [1.0, floor, 1.0], atol=1e-9)


@pytest.mark.parametrize("order", [1, 2])
def test_low_pass_against_scipy_butterworth(order: int) -> None:
    # A second order with Q = 1/sqrt 2 is a Butterworth filter.
    b, a = signal.butter(order, 120.0, fs=1.0 / FRAME_S)
    got = low_pass_coefficients(120.0, order, math.sqrt(0.5), FRAME_S)
    pad = [0.0] * (2 - order)
    np.testing.assert_allclose(got, [*b, *pad, *a[1:], *pad], atol=1e-14)


def test_lead_against_scipy_bilinear() -> None:
    zero_s, pole_s = 1.0 / (2.0 * math.pi * 50.0), 1.0 / (2.0 * math.pi * 200.0)
    b, a = signal.bilinear([zero_s, 1.0], [pole_s, 1.0], 1.0 / FRAME_S)
    got = lead_coefficients(50.0, 200.0, FRAME_S)
    np.testing.assert_allclose(got, [*b, 0.0, a[1], 0.0], rtol=1e-12)
    assert got[:3].sum() / (1.0 + got[3]) == pytest.approx(1.0)


def test_series_runs_as_scipy_runs_it() -> None:
    params = (
        section(kind="notch", frequency_hz=(180.0, 220.0), quality=3.0, floor=0.1),
        section(kind="lead", zero_hz=40.0, pole_hz=160.0),
        section(kind="low_pass", corner_hz=300.0, order=2, quality=0.9),
    )
    sections = section_rows(params, FRAME_S)
    got = respond(sections, 60)
    for axis in (0, 1):
        c = sections[:, 0, axis]
        sos = np.hstack([c[:, :3], np.ones((3, 1)), c[:, 3:]])
        expected = signal.sosfilt(sos, np.eye(1, 60)[0])
        np.testing.assert_allclose(got[:, axis], expected, atol=1e-14)
    assert not np.allclose(got[:, 0], got[:, 1])


def test_memory_stays_where_the_spot_was_lost() -> None:
    law = passing(section_rows((section(kind="low_pass", corner_hz=100.0),), FRAME_S))
    memory = np.random.default_rng(0).normal(size=(2, 2, 1, 2))
    state = hand_over(law, np.zeros((2, 2)))._replace(filters_rad=memory)
    seen, far = np.array([[True, False], [False, True]]), np.full((2, 2), 9.0)
    after = law_step(law, state, np.ones((2, 2)), seen, -far, far).filters_rad
    np.testing.assert_array_equal(after[~seen], memory[~seen])
    assert np.all(after[seen][..., 0] != memory[seen][..., 0])


@pytest.mark.parametrize(
    ("frequency_hz", "shown_hz"), [(300.0, 300.0), (700.0, 300.0), (760.0, 240.0), (1450.0, 450.0)]
)
def test_folding(frequency_hz: float, shown_hz: float) -> None:
    # Exact: samples of a cosine at 700 Hz taken at 1 kHz are those of one at 300 Hz.
    assert folded_hz(frequency_hz, FRAME_S) == pytest.approx(shown_hz)
    k = np.arange(50)
    np.testing.assert_allclose(
        np.cos(2 * np.pi * frequency_hz * FRAME_S * k),
        np.cos(2 * np.pi * folded_hz(frequency_hz, FRAME_S) * FRAME_S * k),
        atol=1e-9,
    )
    notch = section(kind="notch", frequency_hz=(frequency_hz,) * 2, quality=3.0, fold=True)
    row = section_rows((notch,), FRAME_S)[0, 0, 0]
    np.testing.assert_allclose(row, notch_coefficients(shown_hz, 3.0, 0.0, FRAME_S), rtol=1e-9)


@pytest.mark.parametrize(
    ("settings", "message"),
    [
        (
            {"kind": "notch", "frequency_hz": (300.0, 700.0), "quality": 3.0},
            r"notch frequency_hz must be below half the frame rate \(500 Hz\), got 700 Hz; the "
            r"readings show it at 300 Hz: set fold = true",
        ),
        (
            {"kind": "notch", "frequency_hz": (1000.0, 700.0), "quality": 3.0, "fold": True},
            r"notch frequency_hz must lie above 0 and below half the frame rate \(500 Hz\), got 0",
        ),
        (
            {"kind": "low_pass", "corner_hz": 500.0},
            r"low_pass corner_hz must lie above 0 and below half .* got 500 Hz",
        ),
        (
            {"kind": "lead", "zero_hz": 90.0, "pole_hz": 60.0},
            r"lead pole_hz must be above zero_hz \(90 Hz\), got 60 Hz",
        ),
    ],
)
def test_sections_that_do_not_fit(settings: Any, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        section_rows((section(**settings),), FRAME_S)
