"""Clipping against quadrature and closed forms, and the demo's loss budget by hand."""

from math import erf

import numpy as np
import pytest
from pydantic import ValidationError
from scipy.integrate import quad
from scipy.stats import kstest, truncnorm

from sim.optics.coupling import aligned_mode_loss_db
from sim.optics.geometry import SwitchGeometry, connect
from sim.optics.losses import (
    beam_radius_m,
    connector_loss_db,
    ellipse_transmission,
    loss_budget,
    recoupled_loss_db,
)
from sim.optics.params import GeometryParams, OpticsParams

GEOMETRY = SwitchGeometry.from_params(
    GeometryParams(
        ports_per_side=96,
        columns=12,
        pitch_mm=1.5,
        spacing_mm=130.0,
        collimator_in_mm=40.0,
        collimator_out_mm=40.0,
        incidence_deg=20.0,
    )
)
HARROW_POINT = OpticsParams(
    data_wavelength_nm=1310.0,
    waist_um=200.0,
    receiving_waist_um=200.0,
    mirror_radius_um=450.0,
    mirror_reflectivity=0.98,
    combiner_loss_db=0.1,
    collimator_loss_db=0.1,
    connector_mean_db=0.08,
    connector_sd_db=0.03,
)


def all_pairs() -> tuple[np.ndarray, np.ndarray]:
    inputs, outputs = np.divmod(np.arange(96 * 96), 96)
    return inputs, outputs


# Derivation: T = 1 - exp(-2 a^2/w^2) passes; the square couples back into the same mode.
@pytest.mark.parametrize(
    "ratio, passed, loss_db",
    [
        (1.00, 0.86466472, 1.26305),
        (1.25, 0.95606307, 0.39027),
        (1.50, 0.98889100, 0.09703),
        (2.00, 0.99966454, 0.00291),
    ],
)
def test_clipping_at_normal_incidence(ratio: float, passed: float, loss_db: float) -> None:
    assert ellipse_transmission(ratio, 1.0, 0.0) == pytest.approx(passed, abs=5.1e-9)
    assert recoupled_loss_db(ratio, 1.0, 0.0) == pytest.approx(loss_db, abs=5.1e-6)


# Computed apart from this code by two quadratures that agree to 1e-8.
@pytest.mark.parametrize(
    "ratio, incidence_deg, passed",
    [(1.5, 22.5, 0.98392855), (1.5, 45.0, 0.94599665), (1.0, 45.0, 0.74253364)],
)
def test_clipping_by_an_inclined_mirror(ratio: float, incidence_deg: float, passed: float) -> None:
    incidence_rad = np.deg2rad(incidence_deg)
    got = ellipse_transmission(ratio, 1.0, incidence_rad)
    assert got == pytest.approx(passed, abs=1e-8)
    # A circle of the same area is not the same.
    circle = 1.0 - np.exp(-2.0 * ratio**2 * np.cos(incidence_rad))
    assert circle - got > 3e-4


@pytest.mark.parametrize("incidence_deg", [5.0, 20.0, 45.0, 60.0, 65.0])
@pytest.mark.parametrize("ratio", [0.5, 1.9, 4.0])
def test_clipping_matches_the_integral_over_the_ellipse(ratio: float, incidence_deg: float) -> None:
    # Along y the Gaussian integrates to an error function; x is left to adaptive quadrature.
    squeeze = np.cos(np.deg2rad(incidence_deg))

    def strip(x: float) -> float:
        half = ratio * np.sqrt(max(0.0, 1.0 - (x / (ratio * squeeze)) ** 2))
        return np.sqrt(2.0 / np.pi) * np.exp(-2.0 * x**2) * erf(np.sqrt(2.0) * half)

    edge = ratio * squeeze
    passed, _ = quad(strip, -edge, edge, epsabs=1e-12, epsrel=1e-12, limit=400)
    got = ellipse_transmission(ratio, 1.0, np.deg2rad(incidence_deg))
    assert got == pytest.approx(passed, abs=1e-9)


def test_recoupled_power_is_the_square_of_what_passes() -> None:
    # By sums of fields: truncate the mode, overlap it with the whole mode.
    line = np.linspace(-5.0, 5.0, 2001)
    x, y = np.meshgrid(line, line)
    mode = np.exp(-(x**2 + y**2))
    inside = (x / np.cos(0.7)) ** 2 + y**2 < 1.2**2
    amplitude = np.sum(mode**2 * inside) / np.sum(mode**2)
    # A jagged edge on a grid of 0.005: area error below perimeter * step^(3/2).
    assert recoupled_loss_db(1.2, 1.0, 0.7) == pytest.approx(-20.0 * np.log10(amplitude), abs=5e-3)


def test_beam_radius_at_the_demo_mirrors() -> None:
    # By hand: Rayleigh length pi (200 um)^2/1.31 um = 95.926 mm, 65 mm from the waist.
    assert beam_radius_m(200e-6, 65e-3, 1.31e-6) == pytest.approx(241.6e-6, abs=5e-8)
    assert beam_radius_m(200e-6, -65e-3, 1.31e-6) == beam_radius_m(200e-6, 65e-3, 1.31e-6)


def test_demo_budget_by_hand() -> None:
    # docs/optics.md does the same sums. Ports at rest: no gap, equal waists, incidence 20 deg.
    same = HARROW_POINT.replace(connector_sd_db=0.0)
    budget = loss_budget(GEOMETRY, connect(GEOMETRY, [40], [40]), [40], [40], same, 1)
    assert budget.reflectivity_db[0] == pytest.approx(-20.0 * np.log10(0.98), rel=1e-12)
    assert budget.reflectivity_db[0] == pytest.approx(0.1755, abs=5e-5)
    assert budget.combiners_db[0] == pytest.approx(0.2)
    assert budget.collimators_db[0] == pytest.approx(0.2)
    assert budget.connectors_db[0] == pytest.approx(0.16)
    assert budget.mode_db[0] == pytest.approx(0.0, abs=1e-12)
    # T lies between those of circles of radius a cos i and a: 0.9978 and 0.9990.
    low_db, high_db = (
        -40.0 * np.log10(1.0 - np.exp(-2.0 * (450.0 * c / 241.6) ** 2))
        for c in (1.0, np.cos(np.deg2rad(20.0)))
    )
    assert low_db < budget.clipping_db[0] < high_db
    assert budget.aligned_db[0] == pytest.approx(0.7355 + budget.clipping_db[0], abs=1e-4)


def test_aligned_loss_of_every_demo_connection_is_below_one_decibel() -> None:
    inputs, outputs = all_pairs()
    solved = connect(GEOMETRY, inputs, outputs)
    budget = loss_budget(GEOMETRY, solved, inputs, outputs, HARROW_POINT, 1)
    assert budget.aligned_db.shape == (9216,)
    assert budget.aligned_db.max() < 1.0
    assert np.all(np.stack(budget) >= 0.0)
    np.testing.assert_allclose(budget.aligned_db, sum(budget), rtol=1e-14)


def test_gap_is_the_difference_from_the_nominal_path() -> None:
    inputs, outputs = np.array([0, 11, 5]), np.array([95, 84, 5])
    solved = connect(GEOMETRY, inputs, outputs)
    budget = loss_budget(GEOMETRY, solved, inputs, outputs, HARROW_POINT, 1)
    # By hand: mirror centres 11 columns and 7 rows apart; moving along +e_x comes nearer to
    # array A by sin i.
    across_m = 1.5e-3 * np.array([11, -11, 0])
    up_m = 1.5e-3 * np.array([7, 7, 0])
    i = np.deg2rad(20.0)
    gap_m = (
        np.sqrt((across_m * np.cos(i)) ** 2 + up_m**2 + (0.13 - across_m * np.sin(i)) ** 2) - 0.13
    )
    expected = aligned_mode_loss_db(1.31e-6, 200e-6, 200e-6, gap_m)
    assert gap_m[0] < 0.0 < gap_m[1]
    np.testing.assert_allclose(budget.mode_db, expected, rtol=1e-9, atol=1e-15)


def test_clipping_takes_each_connections_own_distance_and_incidence() -> None:
    # Unequal arms and a mixed pair of ports. The incidences come from the vectors between mirrors,
    # the ellipse's share from a quadrature of its own.
    geometry = SwitchGeometry.from_params(
        GeometryParams(
            ports_per_side=96,
            columns=12,
            pitch_mm=1.5,
            spacing_mm=130.0,
            collimator_in_mm=30.0,
            collimator_out_mm=60.0,
            incidence_deg=20.0,
        )
    )
    source, target = 11, 0
    i = np.deg2rad(20.0)
    along = np.array([-16.5e-3 * np.cos(i), 0.0, 0.13 + 16.5e-3 * np.sin(i)])
    length_m = np.linalg.norm(along)
    fibre = np.array([-np.sin(2 * i), 0.0, -np.cos(2 * i)])
    # Light turns by pi minus twice the incidence at A; what turns one way at A turns back at B.
    turn = np.arccos(fibre @ along / length_m)
    incidence_rad = 0.5 * (np.pi - turn)
    assert abs(incidence_rad - i) > 0.05
    passed = []
    for distance_m in (0.11 - 0.03, 0.03 + length_m - 0.11):
        ratio = 450e-6 / np.hypot(200e-6, 1.31e-6 * distance_m / (np.pi * 200e-6))
        squeeze = np.cos(incidence_rad)
        lost, _ = quad(
            lambda p, r=ratio, c=squeeze: np.exp(
                -2.0 * (r * c) ** 2 / (c**2 * np.sin(p) ** 2 + np.cos(p) ** 2)
            ),
            0.0,
            2.0 * np.pi,
            epsrel=1e-12,
        )
        passed.append(1.0 - lost / (2.0 * np.pi))
    solved = connect(geometry, [source], [target])
    budget = loss_budget(geometry, solved, [source], [target], HARROW_POINT, 1)
    expected_db = -20.0 * np.log10(passed[0] * passed[1])
    assert budget.clipping_db[0] == pytest.approx(expected_db, rel=1e-9)


def test_connectors_follow_the_truncated_normal() -> None:
    params = HARROW_POINT.replace(connector_mean_db=0.08, connector_sd_db=0.06)
    drawn = connector_loss_db(np.arange(20_000), 0, params, 7)
    assert drawn.min() >= 0.0
    law = truncnorm(-0.08 / 0.06, np.inf, loc=0.08, scale=0.06)
    # Kolmogorov-Smirnov at the 0.1 % level; a plain normal or a clip at zero fails it by far.
    assert kstest(drawn, law.cdf).pvalue > 1e-3
    clipped = np.maximum(0.0, 0.08 + 0.06 * np.random.default_rng(0).standard_normal(20_000))
    assert kstest(clipped, law.cdf).pvalue < 1e-6


def test_connectors_belong_to_their_port_side_and_seed() -> None:
    ports = np.arange(96)
    drawn = connector_loss_db(ports, 0, HARROW_POINT, 7)
    order = np.random.default_rng(0).permutation(96)
    np.testing.assert_array_equal(connector_loss_db(ports[order], 0, HARROW_POINT, 7), drawn[order])
    assert not np.any(connector_loss_db(ports, 1, HARROW_POINT, 7) == drawn)
    assert not np.any(connector_loss_db(ports, 0, HARROW_POINT, 8) == drawn)
    alike = HARROW_POINT.replace(connector_sd_db=0.0)
    np.testing.assert_array_equal(connector_loss_db(ports, 0, alike, 7), np.full(96, 0.08))


def test_bad_arguments_are_named() -> None:
    with pytest.raises(ValueError, match="mirror_radius_m must be positive, got 0.0"):
        ellipse_transmission(0.0, 1.0, 0.0)
    with pytest.raises(ValueError, match="beam_radius_m must be positive, got -1.0"):
        recoupled_loss_db(1.0, -1.0, 0.0)
    with pytest.raises(ValueError, match="incidence_rad must be from 0 to below pi/2, got 1.6"):
        ellipse_transmission(1.0, 1.0, 1.6)
    with pytest.raises(ValueError, match=r"side must be 0 \(input\) or 1 \(output\), got 2"):
        connector_loss_db([0], 2, HARROW_POINT, 1)
    with pytest.raises(ValueError, match=r"inputs and outputs must be \(1,\) like the connections"):
        loss_budget(GEOMETRY, connect(GEOMETRY, [0], [0]), [0, 1], [0], HARROW_POINT, 1)


def test_settings_are_bounded_and_required() -> None:
    with pytest.raises(ValidationError, match="mirror_reflectivity"):
        HARROW_POINT.replace(mirror_reflectivity=1.2)
    with pytest.raises(ValidationError, match="Field required"):
        OpticsParams()  # type: ignore[call-arg]
