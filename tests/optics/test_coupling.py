"""Coupling of Gaussian beams against published forms, numerical overlaps and jitter statistics."""

import numpy as np
import pytest
from numpy.typing import NDArray

from sim.optics.coupling import (
    aligned_mode_loss_db,
    coupling_loss_db,
    gaussian_coupling,
    loss_form,
)

# Waist in [um], gap [m], waist out [um], offset [um], tilt [mrad] at 1.55 um, and the coupling.
# The formula is that of Joyce and DeLoach, Appl. Opt. 23 (1984) 4187 (from memory, not checked
# against the document). The values were computed apart from this code, by a complex-beam-parameter
# form and by an angular-spectrum propagation that agree to 8 digits.
CASES = {
    "offset": (5.2, 0.0, 5.2, 1.0, 0.0, 0.96369324, 0.16061),
    "tilt": (5.2, 0.0, 5.2, 0.0, 20.0, 0.95653994, 0.19297),
    "gap": (5.2, 50e-6, 5.2, 0.0, 0.0, 0.82775977, 0.82096),
    "mismatch": (4.6, 0.0, 5.2, 0.0, 0.0, 0.98511802, 0.06512),
    "all, same sign": (5.2, 50e-6, 5.2, 1.0, 20.0, 0.78574879, 1.04716),
    "all, opposite sign": (5.2, 50e-6, 5.2, 1.0, -20.0, 0.73908453, 1.31306),
    "unequal, same sign": (4.6, 80e-6, 5.2, 2.0, 30.0, 0.53443116, 2.72108),
    "unequal, opposite sign": (4.6, 80e-6, 5.2, -2.0, 30.0, 0.40898160, 3.88296),
    "collimated, same sign": (200.0, 0.1, 200.0, 20.0, 0.5, 0.69498112, 1.58027),
    "collimated, opposite sign": (200.0, 0.1, 200.0, 20.0, -0.5, 0.67025752, 1.73758),
    "collimated, unequal": (200.0, 0.1, 180.0, 50.0, 1.0, 0.58268158, 2.34569),
}
WAVELENGTH_M = 1.55e-6


def light(waist_in_um: float, gap_m: float, waist_out_um: float) -> dict[str, float]:
    return {
        "wavelength_m": WAVELENGTH_M,
        "waist_in_m": 1e-6 * waist_in_um,
        "waist_out_m": 1e-6 * waist_out_um,
        "gap_m": gap_m,
    }


@pytest.mark.parametrize("name", CASES)
def test_coupling_matches_the_table(name: str) -> None:
    waist_in, gap, waist_out, offset, tilt, power, loss_db = CASES[name]
    setting = light(waist_in, gap, waist_out)
    # Along x, along y, and along a slanted line: one axis is as good as another.
    for direction in ((1.0, 0.0), (0.0, 1.0), (0.6, 0.8)):
        offset_m = 1e-6 * offset * np.array(direction)
        tilt_rad = 1e-3 * tilt * np.array(direction)
        # Half a unit of the last printed digit.
        assert gaussian_coupling(offset_m, tilt_rad, **setting) == pytest.approx(power, abs=5.1e-9)
        assert coupling_loss_db(offset_m, tilt_rad, **setting) == pytest.approx(loss_db, abs=5.1e-6)


def complex_parameter_coupling(
    offset_m: NDArray[np.float64],
    tilt_rad: NDArray[np.float64],
    *,
    wavelength_m: float,
    waist_in_m: float,
    waist_out_m: float,
    gap_m: float,
) -> float:
    """Another closed form, from the overlap integral of two complex beam parameters."""
    k = 2.0 * np.pi / wavelength_m
    z1, z2 = np.pi * waist_in_m**2 / wavelength_m, np.pi * waist_out_m**2 / wavelength_m
    q1, q2 = gap_m + 1j * z1, 1j * z2
    numerator = (
        offset_m @ offset_m
        - 2.0 * (offset_m @ tilt_rad) * np.conj(q2)
        + (tilt_rad @ tilt_rad) * q1 * np.conj(q2)
    )
    exponent = -k * np.imag(numerator / (np.conj(q2) - q1))
    return float(4.0 * z1 * z2 / abs(q1 - np.conj(q2)) ** 2 * np.exp(exponent))


def test_two_closed_forms_agree_for_random_settings() -> None:
    rng = np.random.default_rng(4)
    for _ in range(200):
        setting = {
            "wavelength_m": rng.uniform(0.8e-6, 1.6e-6),
            "waist_in_m": rng.uniform(150e-6, 250e-6),
            "waist_out_m": rng.uniform(150e-6, 250e-6),
            "gap_m": rng.uniform(-0.1, 0.1),
        }
        offset_m, tilt_rad = rng.normal(size=2) * 60e-6, rng.normal(size=2) * 0.6e-3
        # Rounding alone separates them.
        assert gaussian_coupling(offset_m, tilt_rad, **setting) == pytest.approx(
            complex_parameter_coupling(offset_m, tilt_rad, **setting), rel=1e-9
        )


def sampled_overlap(
    offset_m: NDArray[np.float64],
    tilt_rad: NDArray[np.float64],
    *,
    wavelength_m: float,
    waist_in_m: float,
    waist_out_m: float,
    gap_m: float,
) -> float:
    """Overlap of two fields, sampled over the waist plane of the receiving mode."""
    k = 2.0 * np.pi / wavelength_m
    half = 6.0 * max(np.hypot(waist_in_m, wavelength_m * gap_m / np.pi / waist_in_m), waist_out_m)
    line = np.linspace(-half, half, 401)
    x, y = np.meshgrid(line, line)
    rayleigh = np.pi * waist_in_m**2 / wavelength_m
    radius = waist_in_m * np.sqrt(1.0 + (gap_m / rayleigh) ** 2)
    bend = gap_m / (gap_m**2 + rayleigh**2)
    r2 = (x - offset_m[0]) ** 2 + (y - offset_m[1]) ** 2
    beam = np.exp(
        -r2 / radius**2 + 0.5j * k * bend * r2 + 1j * k * (tilt_rad[0] * x + tilt_rad[1] * y)
    )
    mode = np.exp(-(x**2 + y**2) / waist_out_m**2)
    powers = np.sum(np.abs(beam) ** 2) * np.sum(mode**2)
    return float(np.abs(np.sum(beam * mode)) ** 2 / powers)


@pytest.mark.parametrize("name", CASES)
def test_coupling_matches_a_sampled_overlap_in_two_dimensions(name: str) -> None:
    waist_in, gap, waist_out, offset, tilt, _, _ = CASES[name]
    setting = light(waist_in, gap, waist_out)
    # The offset and the tilt need not lie along the same line. Summing equal steps of a smooth
    # field that vanishes at the edge (exp(-36)) is exact far below the 1e-6 asked for.
    offset_m = 1e-6 * offset * np.array([0.8, 0.6])
    tilt_rad = 1e-3 * tilt * np.array([0.28, -0.96])
    assert gaussian_coupling(offset_m, tilt_rad, **setting) == pytest.approx(
        sampled_overlap(offset_m, tilt_rad, **setting), abs=1e-6
    )


def test_a_negative_gap_puts_the_beam_waist_behind_the_plane() -> None:
    setting = light(200.0, -0.1, 180.0)
    offset_m, tilt_rad = np.array([50e-6, 0.0]), np.array([1e-3, 0.0])
    # The beam still converges there, so tilt and offset of one sign now hurt more.
    assert gaussian_coupling(offset_m, tilt_rad, **setting) == pytest.approx(
        sampled_overlap(offset_m, tilt_rad, **setting), abs=1e-6
    )
    assert gaussian_coupling(offset_m, tilt_rad, **setting) < gaussian_coupling(
        offset_m, -tilt_rad, **setting
    )


def test_losses_in_db_do_not_add_where_there_is_a_gap() -> None:
    parts = [CASES[name][-1] for name in ("offset", "tilt", "gap")]
    setting = light(5.2, 50e-6, 5.2)
    together = coupling_loss_db([1e-6, 0.0], [20e-3, 0.0], **setting)
    assert sum(parts) == pytest.approx(1.17454, abs=2e-5)
    assert together == pytest.approx(1.04716, abs=1e-5)


def test_alignment_tolerances_of_equal_waists() -> None:
    # Exact: offset loss is 10/ln 10 (d/w)^2 dB, tilt loss 10/ln 10 (pi w t/lambda)^2 dB.
    setting = light(200.0, 0.0, 200.0)
    still = np.zeros(2)
    for loss_db, offset_um, tilt_mrad in ((1.0, 95.971, 1.18374), (0.1, 30.349, 0.37433)):
        offset_m, tilt_rad = np.array([1e-6 * offset_um, 0.0]), np.array([0.0, 1e-3 * tilt_mrad])
        # Inputs are printed to five digits, the loss goes as their square.
        assert coupling_loss_db(offset_m, still, **setting) == pytest.approx(loss_db, rel=4e-5)
        assert coupling_loss_db(still, tilt_rad, **setting) == pytest.approx(loss_db, rel=4e-5)
    # One decibel from the gap alone, single-mode fibre: 55.775 um.
    assert aligned_mode_loss_db(1.55e-6, 5.2e-6, 5.2e-6, 55.775e-6) == pytest.approx(1.0, rel=4e-5)


def test_huge_losses_stay_finite() -> None:
    setting = light(200.0, 0.0, 200.0)
    loss_db = coupling_loss_db([0.02, 0.0], [0.0, 0.0], **setting)
    # Exact: (d/w)^2 = 1e4 nepers.
    assert loss_db == pytest.approx(1e5 / np.log(10.0), rel=1e-12)
    assert gaussian_coupling([0.02, 0.0], [0.0, 0.0], **setting) == 0.0


def test_small_mode_losses_keep_their_digits() -> None:
    # Exact to first order: 10/ln 10 (z/2 z1)^2 with z/z1 = 1e-6; a plain logarithm of the
    # coupling would be left with rounding alone.
    rayleigh_m = np.pi * (200e-6) ** 2 / WAVELENGTH_M
    loss_db = aligned_mode_loss_db(WAVELENGTH_M, 200e-6, 200e-6, 1e-6 * rayleigh_m)
    assert loss_db == pytest.approx(10.0 / np.log(10.0) * 0.25e-12, rel=1e-9)


def test_loss_form_broadcasts_over_gaps() -> None:
    gaps_m = np.array([-0.02, 0.0, 0.03])
    forms = loss_form(1.31e-6, 200e-6, 210e-6, gaps_m)
    assert forms.shape == (3, 4, 4)
    np.testing.assert_array_equal(forms, np.swapaxes(forms, 1, 2))
    assert np.all(np.linalg.eigvalsh(forms) > 0.0)
    vector = np.array([20e-6, -5e-6, 1e-4, 2e-4])
    for gap_m, form in zip(gaps_m, forms, strict=True):
        setting = {"wavelength_m": 1.31e-6, "waist_in_m": 200e-6, "waist_out_m": 210e-6}
        power = complex_parameter_coupling(vector[:2], vector[2:], **setting, gap_m=gap_m)
        aligned = complex_parameter_coupling(np.zeros(2), np.zeros(2), **setting, gap_m=gap_m)
        assert vector @ form @ vector == pytest.approx(-10.0 * np.log10(power / aligned), rel=1e-9)


def test_a_collimator_trades_offset_for_tilt() -> None:
    # Exact: at one focal length a beam tilt t becomes a fibre offset f t, a beam offset x a fibre
    # tilt -x/f. f = 2 mm, fibre mode 5.2 um, 1.55 um: 189.7617 um.
    focal_m, fibre_m = 2e-3, 5.2e-6
    waist_m = WAVELENGTH_M * focal_m / (np.pi * fibre_m)
    assert waist_m == pytest.approx(189.7617e-6, abs=5.1e-11)
    beam = light(1e6 * waist_m, 0.0, 1e6 * waist_m)
    fibre = light(5.2, 0.0, 5.2)
    still = np.zeros(2)
    tilt_rad, offset_m = np.array([0.5e-3, 0.0]), np.array([20e-6, 0.0])
    by_tilt = gaussian_coupling(still, tilt_rad, **beam)
    by_offset = gaussian_coupling(offset_m, still, **beam)
    # Rounding alone.
    assert by_tilt == pytest.approx(
        gaussian_coupling(focal_m * tilt_rad, still, **fibre), rel=1e-12
    )
    assert by_offset == pytest.approx(
        gaussian_coupling(still, -offset_m / focal_m, **fibre), rel=1e-12
    )
    assert by_tilt == pytest.approx(0.96369324, abs=5.1e-9)
    assert by_offset == pytest.approx(0.98895328, abs=5.1e-9)


@pytest.mark.parametrize("sigma", [0.05, 0.1, 0.2])
def test_jitter_gives_the_known_statistics(sigma: float) -> None:
    # Derivation: with Gaussian jitter of sigma waist radii on each axis the mean coupling is
    # 1/(1 + 2 sigma^2), and the loss in dB is exponential with the mean (20/ln 10) sigma^2.
    n, waist_m = 200_000, 200e-6
    rng = np.random.default_rng(11)
    offset_m = sigma * waist_m * rng.standard_normal((n, 2))
    setting = light(200.0, 0.0, 200.0)
    power = gaussian_coupling(offset_m, np.zeros(2), **setting)
    loss_db = coupling_loss_db(offset_m, np.zeros(2), **setting)
    mean_db = 20.0 / np.log(10.0) * sigma**2
    # 99.9 % intervals: of a mean, and of a quantile of an exponential, whose standard error is
    # mean * sqrt(p / ((1 - p) n)).
    assert abs(power.mean() - 1.0 / (1.0 + 2.0 * sigma**2)) < 3.3 * power.std() / np.sqrt(n)
    assert abs(loss_db.mean() - mean_db) < 3.3 * mean_db / np.sqrt(n)
    quantile_db = mean_db * np.log(1000.0)
    standard_error = mean_db * np.sqrt(0.999 / (0.001 * n))
    assert abs(np.quantile(loss_db, 0.999) - quantile_db) < 3.3 * standard_error


def test_jitter_about_a_static_offset() -> None:
    # Derivation: exp(-d^2/(1 + 2 s^2))/(1 + 2 s^2) = 0.94268950 at d = 0.2, s = 0.1 waist radii.
    n, waist_m = 200_000, 200e-6
    offset_m = waist_m * (
        0.1 * np.random.default_rng(12).standard_normal((n, 2)) + np.array([0.2, 0.0])
    )
    power = gaussian_coupling(offset_m, np.zeros(2), **light(200.0, 0.0, 200.0))
    assert abs(power.mean() - 0.94268950) < 3.3 * power.std() / np.sqrt(n)


def test_mean_loss_is_not_the_loss_of_the_mean() -> None:
    # Derivation at sigma = 0.2: the mean of the loss is 0.347436 dB, the loss of the mean coupling
    # 0.334238 dB. The interval is a tenth of their distance or better.
    offset_m = 0.2 * 200e-6 * np.random.default_rng(13).standard_normal((2_000_000, 2))
    loss_db = coupling_loss_db(offset_m, np.zeros(2), **light(200.0, 0.0, 200.0))
    mean_power = np.exp(-np.log(10.0) / 10.0 * loss_db).mean()
    assert loss_db.mean() == pytest.approx(0.347436, abs=1e-3)
    assert -10.0 * np.log10(mean_power) == pytest.approx(0.334238, abs=1e-3)


@pytest.mark.parametrize(
    "position, name", [(0, "wavelength_m"), (1, "waist_in_m"), (2, "waist_out_m")]
)
def test_lengths_must_be_positive(position: int, name: str) -> None:
    values = [1.31e-6, 200e-6, 200e-6, 0.0]
    values[position] = 0.0
    with pytest.raises(ValueError, match=f"{name} must be positive and finite, got 0.0"):
        loss_form(*values)


def test_the_gap_must_be_finite() -> None:
    with pytest.raises(ValueError, match="gap_m must be finite, got nan"):
        aligned_mode_loss_db(1.31e-6, 200e-6, 200e-6, np.nan)


@pytest.mark.parametrize("name", ["offset_m", "tilt_rad"])
def test_offset_and_tilt_have_two_axes(name: str) -> None:
    vectors = {"offset_m": np.zeros(2), "tilt_rad": np.zeros(2)} | {name: np.zeros(3)}
    with pytest.raises(ValueError, match=rf"{name} must be \(\.\.\., 2\), got shape \(3,\)"):
        coupling_loss_db(**vectors, **light(200.0, 0.0, 200.0))
