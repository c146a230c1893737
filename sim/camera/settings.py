"""The camera: settings of the linear model, and the windows that are read for each spot.

The model follows EMVA Standard 1288, Release 4.0 Linear (European Machine Vision Association):
electrons are Poisson, read noise is Gaussian, the digital number is gain times electrons plus the
black level, rounded, clipped at the well and at full scale. `signal_e` and `background_e` count
electrons; photons appear only where a light level is given as such
(`sim.camera.mosaic.flat_field`). What is on by default is the plain camera; everything below
`noise` is off until asked for.
"""

import math
from typing import Annotated, Literal, NamedTuple, Self

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, model_validator

from sim.foundations.params import Block, Count, between
from sim.foundations.ports import Array, CameraBelief

Side = Annotated[int, Field(ge=4, le=256)]
Percent = Annotated[float, Field(ge=0, le=100)]
Electrons = Annotated[float, between(0.0, 1e9)]
Offset = Annotated[float, between(-1e4, 1e4)]
MOST_LATENCY_FRAMES = 100


class CameraParams(Block):
    """One camera sees one spot per mirror.

    Valid for frames of 1 Hz to 1 MHz and for counts that a pixel can hold: up to 1e9 electrons. The
    black level must lie below full scale, or every pixel reads the same. A latency above 100 frames
    is no loop.
    """

    frame_hz: Annotated[float, between(1.0, 1e6)]
    """Frame rate; must divide the drive's update rate. [Hz]"""
    exposure_us: Annotated[float, between(1e-3, 1e6)]
    """Exposure, from the frame's start. [us]"""
    latency_us: Annotated[float, between(0.0, 1e8)]
    """Read-out and computing, from the exposure's end to the drive. [us]"""
    window_px: tuple[Side, Side]
    """Window read at the expected spot, (height, width). [px]"""
    scale_px_per_mrad: Annotated[float, between(1e-3, 1e4)]
    """Movement of the spot per mechanical tilt, both axes. [px/mrad]"""
    spot_sigma_px: Annotated[float, between(0.1, 256.0)]
    """Standard deviation of the Gaussian spot. [px]"""
    signal_e: Electrons
    """Electrons of a whole spot in one exposure. [e-]"""
    background_e: Electrons
    """Electrons of ambient light in each pixel and exposure. [e-/px]"""
    read_noise_e: Annotated[float, between(0.0, 1e5)]
    """Temporal noise in the dark, without quantisation. [e- rms]"""
    full_well_e: Annotated[float, between(1.0, 1e9)]
    """Electrons at which a pixel saturates. [e-]"""
    gain_dn_per_e: Annotated[float, between(1e-6, 1e7)]
    """System gain K. [DN/e-]"""
    black_dn: Annotated[float, between(0.0, 65_535.0)]
    """Black level. [DN]"""
    bits: Annotated[int, Field(ge=6, le=16)]
    """Bit depth. [bit]"""
    noise: Literal["fast", "exact", "equivalent", "none"] = "fast"
    """`exact`: Poisson plus Gaussian; `fast`: one skewed normal with the same mean and a
    variance at most 0.06 e-^2 larger (read noise of 1 e- and more); `equivalent`: no images, the
    readings' error is drawn from a table of bias and covariance (screening); `none`: expected
    values, still quantised. [-]"""
    quantum_efficiency: Annotated[float, Field(gt=0, le=1)] = 1.0
    """Electrons per photon; for light levels given in photons alone: `signal_e` and `background_e`
    are electrons already. [-]"""
    dark_e_per_s: Electrons = 0.0
    """Dark signal of each pixel at the reference temperature. [e-/s]"""
    dark_doubling_k: Annotated[float, between(1.0, 100.0)] = 7.0
    """Warming that doubles dark signal and hot pixels; typical of silicon, common practice. [K]"""
    prnu_pct: Annotated[float, Field(ge=0, le=30)] = 0.0
    """Photo response non-uniformity: standard deviation of the pixels' response. [%]"""
    dsnu_e: Annotated[float, between(0.0, 1e6)] = 0.0
    """Dark signal non-uniformity: standard deviation of the pixels' offset. [e-]"""
    hot_pixels_pct: Percent = 0.0
    """Share of hot pixels. [%]"""
    hot_e: Electrons = 0.0
    """Dark electrons that a hot pixel adds in each exposure at the reference temperature. [e-]"""
    dead_pixels_pct: Percent = 0.0
    """Share of pixels that see no light. [%]"""
    ghost_pct: Percent = 0.0
    """Light of the ghost, as a share of its spot, beside the spot's own light. [%]"""
    ghost_offset_px: tuple[Offset, Offset] = (0.0, 0.0)
    """Place of the ghost against its spot, (x, y). [px]"""
    spill: bool = False
    """Whether the spots of simulated neighbouring mirrors reach into a window. [-]"""
    pitch_px: Annotated[int, Field(ge=8, le=1024)] = 96
    """Distance between the fields of neighbouring mirrors on the sensor. [px]"""
    row_us: Annotated[float, between(0.0, 1e6)] = 0.0
    """Rolling shutter: how much later each row starts than the row before; 0: global. [us]"""
    defocus_px_per_k: Annotated[float, between(0.0, 100.0)] = 0.0
    """Blur per kelvin from the reference temperature, added to the spot in quadrature. [px/K]"""
    search_after_frames: Count | None = None
    """Lost frames in a row after which the mirror's field is searched; none: never. [-]"""
    search_frames: Count = 10
    """Frames that reading and searching a field takes. [-]"""

    @model_validator(mode="after")
    def _fast_noise_needs_variance(self) -> Self:
        if self.noise == "fast" and self.read_noise_e < 1.0:
            raise ValueError(
                f'noise = "fast" needs read_noise_e >= 1, got {self.read_noise_e:g}; use "exact"'
            )
        return self

    @model_validator(mode="after")
    def _black_is_below_full_scale(self) -> Self:
        if self.black_dn >= 2**self.bits - 1:
            raise ValueError(
                f"black_dn must be below full scale, {2**self.bits - 1} DN at {self.bits} bits, "
                f"got {self.black_dn:g}"
            )
        return self

    @model_validator(mode="after")
    def _readings_come_in_time(self) -> Self:
        frames = 1e-6 * self.latency_us * self.frame_hz
        if frames > MOST_LATENCY_FRAMES:
            raise ValueError(
                f"latency_us must be {MOST_LATENCY_FRAMES} frames at most, "
                f"{1e6 * MOST_LATENCY_FRAMES / self.frame_hz:g} us, got {self.latency_us:g}"
            )
        return self

    @model_validator(mode="after")
    def _ghost_stands_beside_its_spot(self) -> Self:
        if self.ghost_pct > 0 and self.ghost_offset_px == (0.0, 0.0):
            raise ValueError("ghost_offset_px must not be (0, 0) with a ghost, got [0, 0]")
        return self

    @model_validator(mode="after")
    def _hot_pixels_have_charge(self) -> Self:
        if self.hot_pixels_pct > 0 and self.hot_e == 0:
            raise ValueError("hot_e must be above 0 with hot pixels, got 0")
        return self

    @property
    def patterned(self) -> bool:
        """Whether pixels differ from each other."""
        return max(self.prnu_pct, self.dsnu_e, self.hot_pixels_pct, self.dead_pixels_pct) > 0

    @property
    def stray(self) -> bool:
        """Whether a window sees other light than its own spot."""
        return self.ghost_pct > 0 or self.spill

    @property
    def dark_e(self) -> float:
        """Dark signal in one exposure at the reference temperature. [e-/px]"""
        return self.dark_e_per_s * 1e-6 * self.exposure_us

    def warmth(self, temperature_k: float) -> float:
        """Return the factor on dark signal at a temperature above reference. [-]"""
        return 2.0 ** (temperature_k / self.dark_doubling_k)

    def blurred_px(self, temperature_k: float) -> float:
        """Return the spot's standard deviation at a temperature above reference. [px]"""
        return math.hypot(self.spot_sigma_px, self.defocus_px_per_k * temperature_k)


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


def believed(camera: Camera, dark_e: float = 0.0) -> CameraBelief:
    """Return what the firmware assumes: the camera as it is at the reference temperature.

    `dark_e` [e-/px] is dark signal that is not in the camera's background.
    """
    return CameraBelief(
        black_dn=camera.black_dn,
        gain_dn_per_e=camera.gain_dn_per_e,
        background_e=camera.background_e + dark_e,
        read_noise_e=camera.read_noise_e,
        full_scale_dn=int(camera.full_scale_dn),
        spot_sigma_px=camera.sigma_px,
    )


def nominal_belief(camera: CameraParams) -> CameraBelief:
    """Return what the firmware assumes without a calibration: the data sheet, dark signal in it."""
    return believed(make_camera(camera), camera.dark_e)


def window_origin(expected_px: Array, window_px: tuple[int, int]) -> NDArray[np.float64]:
    """Return the whole-pixel corner (M, 2), as (x, y), that centres a window on each spot. [px]"""
    height, width = window_px
    return np.floor(expected_px - 0.5 * np.array([width - 1, height - 1]) + 0.5)
