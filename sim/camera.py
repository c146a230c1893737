"""The camera: settings of the linear model, and the windows that are read around each spot.

The model follows EMVA Standard 1288, Release 4.0 Linear (European Machine Vision Association):
electrons are Poisson, read noise is Gaussian, the digital number is gain times electrons plus the
black level, rounded, clipped at the well and at full scale. Wavelength and quantum efficiency are
in `signal_e`, which counts electrons, not photons.
"""

from typing import Annotated, Literal, NamedTuple, Self

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, model_validator

from sim.params import Block, NonNegative, Positive
from sim.ports import Array, CameraBelief

Side = Annotated[int, Field(ge=4, le=256)]


class CameraParams(Block):
    """One camera sees one spot per mirror."""

    frame_hz: Positive
    """Frame rate; must divide the drive's update rate. [Hz]"""
    exposure_us: Positive
    """Exposure, from the frame's start. [us]"""
    latency_us: NonNegative
    """Read-out and computing, from the exposure's end to the drive. [us]"""
    window_px: tuple[Side, Side]
    """Window read around the expected spot, (height, width). [px]"""
    scale_px_per_mrad: Positive
    """Movement of the spot per mechanical tilt, both axes. [px/mrad]"""
    spot_sigma_px: Positive
    """Standard deviation of the Gaussian spot. [px]"""
    signal_e: NonNegative
    """Electrons of a whole spot in one exposure. [e-]"""
    background_e: NonNegative
    """Electrons of ambient light and dark signal in each pixel. [e-/px]"""
    read_noise_e: NonNegative
    """Temporal noise in the dark, without quantisation. [e- rms]"""
    full_well_e: Positive
    """Electrons at which a pixel saturates. [e-]"""
    gain_dn_per_e: Positive
    """System gain K. [DN/e-]"""
    black_dn: NonNegative
    """Black level. [DN]"""
    bits: Annotated[int, Field(ge=6, le=16)]
    """Bit depth. [bit]"""
    noise: Literal["fast", "exact", "none"] = "fast"
    """`exact`: Poisson plus Gaussian; `fast`: one skewed normal with the same mean and variance
    (read noise of 1 e- and more); `none`: expected values, still quantised. [-]"""

    @model_validator(mode="after")
    def _fast_noise_needs_variance(self) -> Self:
        if self.noise == "fast" and self.read_noise_e < 1.0:
            raise ValueError(
                f'noise = "fast" needs read_noise_e >= 1, got {self.read_noise_e:g}; use "exact"'
            )
        return self


class Camera(NamedTuple):
    """All that is fixed about the pixels, as the kernels take it."""

    sigma_px: float
    signal_e: float
    background_e: float
    read_noise_e: float
    gain_dn_per_e: float
    black_dn: float
    full_well_e: float
    full_scale_dn: float


def make_camera(params: CameraParams) -> Camera:
    """Return the camera's constants."""
    return Camera(
        params.spot_sigma_px,
        params.signal_e,
        params.background_e,
        params.read_noise_e,
        params.gain_dn_per_e,
        params.black_dn,
        params.full_well_e,
        float(2**params.bits - 1),
    )


def believed(camera: Camera) -> CameraBelief:
    """Return what the firmware is told: the camera as it is."""
    return CameraBelief(
        black_dn=camera.black_dn,
        gain_dn_per_e=camera.gain_dn_per_e,
        background_e=camera.background_e,
        read_noise_e=camera.read_noise_e,
        full_scale_dn=int(camera.full_scale_dn),
        spot_sigma_px=camera.sigma_px,
    )


def window_origin(expected_px: Array, window_px: tuple[int, int]) -> NDArray[np.float64]:
    """Return the whole-pixel corner (M, 2), as (x, y), that centres a window on each spot. [px]"""
    height, width = window_px
    return np.floor(expected_px - 0.5 * np.array([width - 1, height - 1]) + 0.5)
