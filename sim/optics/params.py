"""Settings of the optics: where things stand, and what the light meets. None has a default."""

from typing import Annotated, Self

import numpy as np
from pydantic import Field, model_validator

from sim.foundations.params import Block, between
from sim.optics.lattice import Lattice, Outline, lattice_places

PortCount = Annotated[int, Field(ge=1, le=4096)]
Length = Annotated[float, between(1e-3, 1e5)]
Pitch = Annotated[float, between(1e-3, 100.0)]


class GeometryParams(Block):
    """Two parallel mirror arrays that face each other; alike unless array B is given its own.

    Valid up to 4096 ports, since tables of all connections grow with their square, and for lengths
    up to 100 m, far beyond which a beam that fits a mirror stays collimated.
    """

    ports_per_side: PortCount
    """Fibres, and mirrors, on each side. [-]"""
    columns: PortCount
    """Mirrors in a row, along the array's x; must divide `ports_per_side`. [-]"""
    pitch_mm: Pitch
    """Distance between neighbouring mirrors, in both directions. [mm]"""
    spacing_mm: Length
    """From the centre of array A to the centre of array B. [mm]"""
    collimator_in_mm: Length
    """From an input collimator to its mirror of array A. [mm]"""
    collimator_out_mm: Length
    """From a mirror of array B to its output collimator. [mm]"""
    incidence_deg: Annotated[float, Field(ge=0, le=60)]
    """Angle of incidence of the central beam on both arrays. [deg]"""
    lattice: Lattice = "square"
    """Of both arrays. In a hexagonal one each mirror has six neighbours at the pitch. [-]"""
    outline: Outline = "rectangle"
    """Full rows of `columns`, or the places of the lattice nearest to its middle. [-]"""
    output_ports: PortCount | None = None
    """Fibres, and mirrors, on the output side; none: as many as `ports_per_side`. [-]"""
    output_columns: PortCount | None = None
    """Mirrors in a row of array B; none: `columns`. [-]"""
    output_pitch_mm: Pitch | None = None
    """Pitch of array B; none: `pitch_mm`. [mm]"""

    @property
    def outputs(self) -> int:
        """PortCount on the output side. [-]"""
        return self.output_ports or self.ports_per_side

    @model_validator(mode="after")
    def _rows_are_full_and_arrays_apart(self) -> Self:
        if self.ports_per_side % self.columns:
            raise ValueError(
                f"columns must divide ports_per_side = {self.ports_per_side}, got {self.columns}"
            )
        columns_b = self.output_columns or self.columns
        if self.outputs % columns_b:
            raise ValueError(
                f"output_columns must divide the output ports, {self.outputs}, got {columns_b}"
            )
        width_mm = max(
            pitch_mm
            * float(np.ptp(lattice_places(count, columns, self.lattice, self.outline)[:, 0]))
            for count, columns, pitch_mm in (
                (self.ports_per_side, self.columns, self.pitch_mm),
                (self.outputs, columns_b, self.output_pitch_mm or self.pitch_mm),
            )
        )
        if self.spacing_mm <= width_mm:
            raise ValueError(
                f"spacing_mm must exceed the width of the arrays, {width_mm:g} mm, "
                f"got {self.spacing_mm:g}"
            )
        return self


class OpticsParams(Block):
    """The light and all that takes some of it.

    Valid from 200 nm to 20 um, where mirrors and glass or silicon work, and for beams that are
    paraxial: with a waist of a wavelength or more the half angle stays below 1/pi = 0.32 rad
    (the paraxial wave equation is commonly trusted to some 0.5 rad: A. E. Siegman, Lasers, 1986,
    section 16.1, from memory). A loss above 60 dB is no light.
    """

    data_wavelength_nm: Annotated[float, between(200.0, 20_000.0)]
    """Vacuum wavelength of the data light; all losses are at this wavelength. [nm]"""
    waist_um: Annotated[float, between(0.2, 1e5)]
    """Waist radius (1/e^2 of intensity) of the emitted beam, half the nominal path away. [um]"""
    receiving_waist_um: Annotated[float, between(0.2, 1e5)]
    """Waist radius (1/e^2 of intensity) of the mode the receiving collimator accepts. [um]"""
    mirror_radius_um: Annotated[float, between(1.0, 5e4)]
    """Radius of the round reflecting area. [um]"""
    mirror_reflectivity: Annotated[float, between(1e-3, 1.0)]
    """Power reflected by one mirror. [-]"""
    combiner_loss_db: Annotated[float, between(0.0, 60.0)]
    """Loss of one beam combiner; a connection passes two. [dB]"""
    collimator_loss_db: Annotated[float, between(0.0, 60.0)]
    """Loss of one collimator on its own; a connection passes two. [dB]"""
    connector_mean_db: Annotated[float, between(0.0, 60.0)]
    """Mean of the normal distribution, uncut, from which a port's connector loss is drawn. [dB]"""
    connector_sd_db: Annotated[float, between(0.0, 20.0)]
    """Standard deviation of that distribution, which is cut off at zero; 0: all alike. [dB]"""

    @model_validator(mode="after")
    def _beams_are_paraxial(self) -> Self:
        wavelength_um = 1e-3 * self.data_wavelength_nm
        for key in ("waist_um", "receiving_waist_um"):
            if getattr(self, key) < wavelength_um:
                raise ValueError(
                    f"{key} must be at least the wavelength, {wavelength_um:g} um, for a beam that "
                    f"is paraxial, got {getattr(self, key):g}"
                )
        return self
