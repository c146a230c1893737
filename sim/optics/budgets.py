"""Limits of loss, what the years do, how beams are aimed, and the band of the data light."""

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from sim.foundations.params import Block, Count, Positive, between

Aiming = Literal["dead_reckoning", "calibrated", "peaked"]

Ageing = Annotated[float, between(0.0, 60.0)]
Shift = Annotated[float, between(0.0, 1e4)]


class BandParams(Block):
    """The band of the data light. Losses are also taken at its edges, and at its middle.

    Valid from 200 nm to 20 um, where mirrors and glass or silicon work.
    """

    start_nm: Annotated[float, between(200.0, 20_000.0)]
    """Shortest wavelength. [nm]"""
    stop_nm: Annotated[float, between(200.0, 20_000.0)]
    """Longest wavelength. [nm]"""
    held: Literal["waist", "fibre"]
    """What stays the same over the band: the waists, or the fibre's mode radius behind an ideal
    lens, with waists in proportion to the wavelength. The slope of the loss differs. [-]"""
    metal: tuple[tuple[Positive, Positive, Positive], ...] = ()
    """Rows [wavelength in nm, n, k]: refractive index n - ik of the mirrors' metal. Reflectivity
    then follows Fresnel's equations over wavelength and incidence, the mean of both polarisations,
    scaled to `mirror_reflectivity` at the data wavelength and the nominal incidence. Empty: the
    same everywhere. [-]"""

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if self.stop_nm <= self.start_nm:
            raise ValueError(f"stop_nm must exceed start_nm = {self.start_nm}, got {self.stop_nm}")
        at = [row[0] for row in self.metal]
        if at != sorted(set(at)):
            raise ValueError(f"metal must have rising wavelengths, got {at}")
        if at and (at[0] > self.start_nm or at[-1] < self.stop_nm):
            raise ValueError(
                f"metal must span the band, {self.start_nm:g} to {self.stop_nm:g} nm, "
                f"got {at[0]:g} to {at[-1]:g} nm"
            )
        return self


class AimingParams(Block):
    """How the tilts of a connection are found.

    Valid for tables that are nearly right: errors up to 0.01 rad, beyond which a search finds
    no light to climb, and probes that cost up to 10 dB.
    """

    level: Aiming
    """From the drawing and the nominal gain alone; from a table measured before; or by a search on
    received power alone that starts from the table. [-]"""
    mirror_error_urad: Annotated[float, between(0.0, 1e4)]
    """Standard deviation of the table's error, per axis, that all connections of a mirror share.
    [urad]"""
    connection_error_urad: Annotated[float, between(0.0, 1e4)]
    """The same that each connection has for itself. [urad]"""
    meter_noise_db: Annotated[float, between(0.0, 10.0)]
    """Standard deviation of one reading of received power. [dB]"""
    probe_db: Annotated[float, between(1e-4, 10.0)] = 0.3
    """Loss that each probe of the search is made to cost at the peak. [dB]"""
    rounds: Annotated[int, Field(ge=1, le=10)] = 2
    """Rounds of eight probes each. [-]"""
    probe_ms: Annotated[float, between(1e-3, 1e6)]
    """Time of one probe: settling and reading. [ms]"""
    table_per_port: Annotated[int, Field(ge=1, le=4096)] = 4
    """Connections of each port that are peaked to make the table of all. [-]"""


class BudgetParams(Block):
    """What a connection may lose, new and at the end of its life, and what takes its share.

    Valid up to 60 dB, where there is no light (200 dB for crosstalk), for parts that age
    independently, and for shifts up to 0.01 rad, beyond which no loss of pointing is small.
    """

    acceptance_db: Annotated[float, between(1e-3, 60.0)]
    """Insertion loss that no connection of a new switch may exceed. [dB]"""
    end_of_life_db: Annotated[float, between(1e-3, 60.0)]
    """Insertion loss that none may exceed at the end of its life. [dB]"""
    crosstalk_db: Annotated[float, between(1e-3, 200.0)] | None = None
    """Least loss of any beam into an output not its own, moves included; none: no limit. [dB]"""
    ports_in_service: Count | None = None
    """Ports needed on each side; more are spare, and may replace bad ones. None: all. [-]"""
    servo_urad: Shift = 0.0
    """Residual error of the loops, standard deviation per axis; a run measures it. [urad]"""
    servo_share: Annotated[float, Field(gt=0.5, lt=1)] = 0.999
    """Share of the time for which the end-of-life loss holds. [-]"""
    mirror_ageing_db: Ageing = 0.0
    """Mean loss that one mirror gains over the life. [dB]"""
    mirror_ageing_sd_db: Ageing = 0.0
    """Its standard deviation; no mirror gets better. [dB]"""
    port_ageing_db: Ageing = 0.0
    """Mean loss that collimator and combiner of one port gain over the life. [dB]"""
    port_ageing_sd_db: Ageing = 0.0
    """Its standard deviation. [dB]"""
    connectors_remated: bool = True
    """Whether every connector is mated anew in its life: its loss is drawn again. [-]"""
    wear_db: Ageing = 0.0
    """Loss that wear adds to each connector that was mated anew. [dB]"""
    shift_urad: Shift = 0.0
    """Shift of each beam by shocks that no camera sees, standard deviation per axis, as tilt of a
    mirror. [urad]"""
    warming_k: Annotated[float, between(0.0, 100.0)] = 0.0
    """Standard deviation of the temperature against that of the last calibration. [K]"""
    warming_urad_per_k: Shift = 0.0
    """What a kelvin shifts all beams of one array by, as tilt, along both axes. [urad/K]"""

    @model_validator(mode="after")
    def _life_ends_later(self) -> Self:
        if self.end_of_life_db < self.acceptance_db:
            raise ValueError(
                f"end_of_life_db must be at least acceptance_db = {self.acceptance_db}, "
                f"got {self.end_of_life_db}"
            )
        return self
