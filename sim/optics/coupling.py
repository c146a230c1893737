"""Coupling of one fundamental Gaussian beam into another, in closed form.

Radii are always 1/e^2 of intensity (1/e of field). The *waist plane* is the plane of the waist of
the receiving mode: offsets are measured there, nowhere else. The gap is positive where the beam's
own waist lies upstream of (before) that plane. A tilt is the slope of the beam's axis, positive
where the beam travels towards positive offset.
"""

import numpy as np
from numpy.typing import ArrayLike

from sim.foundations.ports import Array

DB_PER_NEPER = 10.0 / np.log(10.0)
"""Decibels of power per unit of a power exponent. [dB]"""


def loss_form(
    wavelength_m: ArrayLike, waist_in_m: ArrayLike, waist_out_m: ArrayLike, gap_m: ArrayLike
) -> Array:
    """Return the quadratic form of the loss that offset and tilt add to the aligned loss.

    Offset and tilt do not add in dB where there is a gap: the form carries the cross term.

    Parameters
    ----------
    wavelength_m : (...) array_like
        Wavelength in the medium between the collimators. [m]
    waist_in_m, waist_out_m : (...) array_like
        Waist radii of the arriving beam and of the receiving mode. [m]
    gap_m : (...) array_like
        Distance of the beam's waist upstream of the waist plane; may be negative. [m]

    Returns
    -------
    (..., 4, 4) ndarray
        Symmetric S: the excess loss is ``v @ S @ v`` [dB] for v = (offset x, offset y [m], tilt x,
        tilt y [rad]) in the waist plane.

    Raises
    ------
    ValueError
        If the wavelength or a waist is not positive and finite, or the gap is not finite.

    References
    ----------
    .. [1] W. B. Joyce and B. C. DeLoach, "Alignment of Gaussian beams", Appl. Opt. 23 (1984)
       4187. The equation's form is from memory, not checked against the document; the tests
       confirm it by a numerical overlap of sampled fields.
    """
    wavelength, waist_in, waist_out, gap = _checked(wavelength_m, waist_in_m, waist_out_m, gap_m)
    kappa = _aligned_power(wavelength, waist_in, waist_out, gap)
    waist_in_2 = waist_in**2
    at_plane_2 = waist_in_2 + (wavelength * gap / (np.pi * waist_in)) ** 2
    offset = 0.5 * (1.0 / waist_in_2 + 1.0 / waist_out**2)
    tilt = 0.5 * (np.pi / wavelength) ** 2 * (at_plane_2 + waist_out**2)
    cross = -0.5 * gap / waist_in_2
    form = np.zeros((*kappa.shape, 4, 4))
    for axis in range(2):
        form[..., axis, axis] = offset
        form[..., 2 + axis, 2 + axis] = tilt
        form[..., axis, 2 + axis] = form[..., 2 + axis, axis] = cross
    return DB_PER_NEPER * kappa[..., None, None] * form


def aligned_mode_loss_db(
    wavelength_m: ArrayLike, waist_in_m: ArrayLike, waist_out_m: ArrayLike, gap_m: ArrayLike
) -> Array:
    """Return the loss (...) left when offset and tilt are zero: unequal waists, and the gap. [dB]

    Parameters and errors are those of `loss_form`.

    Parameters
    ----------
    wavelength_m : (...) array_like
        Vacuum wavelength. [m]
    waist_in_m, waist_out_m : (...) array_like
        Waist radii of beam and receiving mode, 1/e^2 of intensity. [m]
    gap_m : (...) array_like
        From the beam's own waist on to that of the mode. [m]

    Returns
    -------
    (...) ndarray
        Loss, not negative. [dB]
    """
    wavelength, waist_in, waist_out, gap = _checked(wavelength_m, waist_in_m, waist_out_m, gap_m)
    # 1/kappa - 1, written so that a small loss keeps its digits.
    excess = ((waist_in**2 - waist_out**2) ** 2 + (wavelength * gap / np.pi) ** 2) / (
        4.0 * (waist_in * waist_out) ** 2
    )
    return np.asarray(DB_PER_NEPER * np.log1p(excess))


def coupling_loss_db(
    offset_m: ArrayLike,
    tilt_rad: ArrayLike,
    *,
    wavelength_m: ArrayLike,
    waist_in_m: ArrayLike,
    waist_out_m: ArrayLike,
    gap_m: ArrayLike,
) -> Array:
    """Return the coupling loss of a Gaussian beam into a Gaussian mode.

    Taken from the exponent itself, so that a beam that misses by far has a large but finite loss.
    Scattered light is not in it: beyond about 40 dB the figure only means "no light".

    Parameters
    ----------
    offset_m : (..., 2) array_like
        Where the beam's axis crosses the waist plane of the receiving mode, as (x, y). [m]
    tilt_rad : (..., 2) array_like
        Slope of the beam's axis; positive travels towards positive offset. [rad]
    wavelength_m, waist_in_m, waist_out_m, gap_m : (...) array_like
        As for `loss_form`.

    Returns
    -------
    (...) ndarray
        Loss, zero or more. [dB]

    Raises
    ------
    ValueError
        If offset or tilt has not two values on its last axis, or as for `loss_form`.
    """
    offset, tilt = np.asarray(offset_m, dtype=float), np.asarray(tilt_rad, dtype=float)
    for name, value in (("offset_m", offset), ("tilt_rad", tilt)):
        if value.ndim == 0 or value.shape[-1] != 2:
            raise ValueError(f"{name} must be (..., 2), got shape {value.shape}")
    vector = np.concatenate(np.broadcast_arrays(offset, tilt), axis=-1)
    form = loss_form(wavelength_m, waist_in_m, waist_out_m, gap_m)
    excess_db = np.einsum("...i,...ij,...j->...", vector, form, vector)
    return excess_db + aligned_mode_loss_db(wavelength_m, waist_in_m, waist_out_m, gap_m)


def gaussian_coupling(
    offset_m: ArrayLike,
    tilt_rad: ArrayLike,
    *,
    wavelength_m: ArrayLike,
    waist_in_m: ArrayLike,
    waist_out_m: ArrayLike,
    gap_m: ArrayLike,
) -> Array:
    """Return the share (...) of power that couples, 0 to 1; see `coupling_loss_db`. [-]

    Goes to zero where the loss is beyond about 3000 dB.

    Parameters
    ----------
    offset_m : (..., 2) array_like
        Of the beam's axis in the waist plane of the mode. [m]
    tilt_rad : (..., 2) array_like
        Slope of the beam's axis. [rad]
    wavelength_m : (...) array_like
        Vacuum wavelength. [m]
    waist_in_m, waist_out_m : (...) array_like
        Waist radii of beam and receiving mode, 1/e^2 of intensity. [m]
    gap_m : (...) array_like
        From the beam's own waist on to that of the mode. [m]

    Returns
    -------
    (...) ndarray
        Share of power. [-]
    """
    loss_db = coupling_loss_db(
        offset_m,
        tilt_rad,
        wavelength_m=wavelength_m,
        waist_in_m=waist_in_m,
        waist_out_m=waist_out_m,
        gap_m=gap_m,
    )
    return np.asarray(np.exp(-loss_db / DB_PER_NEPER))


def _aligned_power(wavelength: Array, waist_in: Array, waist_out: Array, gap: Array) -> Array:
    return np.asarray(
        4.0
        * (waist_in * waist_out) ** 2
        / ((waist_in**2 + waist_out**2) ** 2 + (wavelength * gap / np.pi) ** 2)
    )


def _checked(
    wavelength_m: ArrayLike, waist_in_m: ArrayLike, waist_out_m: ArrayLike, gap_m: ArrayLike
) -> tuple[Array, Array, Array, Array]:
    values = [np.asarray(v, dtype=float) for v in (wavelength_m, waist_in_m, waist_out_m, gap_m)]
    for name, value in zip(("wavelength_m", "waist_in_m", "waist_out_m"), values, strict=False):
        if not np.all(np.isfinite(value) & (value > 0.0)):
            raise ValueError(f"{name} must be positive and finite, got {value}")
    if not np.all(np.isfinite(values[3])):
        raise ValueError(f"gap_m must be finite, got {values[3]}")
    wavelength, waist_in, waist_out, gap = np.broadcast_arrays(*values)
    return wavelength, waist_in, waist_out, gap
