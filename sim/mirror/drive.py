"""The drive: DAC, high-voltage amplifier and comb, from a wanted static tilt to a torque."""

import math
from typing import Annotated, Literal

from pydantic import Field

from sim.foundations.params import Block, between


class DriveParams(Block):
    """One channel per mirror and axis.

    The comb's torque goes as the square of the voltage. A push-pull pair at V_b + v and V_b - v
    gives a tilt exactly in proportion to v; a single-sided comb (one for each way) needs a square
    root in the command path.

    Valid for the voltages that a comb stands, up to 1 kV, and updates of 0.1 kHz to 10 MHz.
    """

    comb: Literal["push_pull", "single_sided"]
    """How the combs are wired. [-]"""
    bits: Annotated[int, Field(ge=4, le=24)]
    """Resolution of the DAC over both ways. [bit]"""
    full_scale_v: Annotated[float, between(1e-3, 1e3)]
    """Largest voltage on one comb. [V]"""
    full_scale_mrad: Annotated[float, between(1e-3, 500.0)]
    """Static tilt of the nominal, linear mirror at the drive's end, each way. [mrad]"""
    update_khz: Annotated[float, between(0.1, 1e4)]
    """Update rate of the DAC. [kHz]"""
    amplifier_khz: Annotated[float, between(1e-3, 1e6)]
    """Bandwidth of the amplifier, a first-order lag. [kHz]"""
    slew_v_per_us: Annotated[float, between(1e-6, 1e6)]
    """Slew limit of the amplifier. [V/us]"""
    noise_uv_per_rthz: Annotated[float, between(0.0, 1e6)]
    """One-sided noise density of the amplifier's output below its bandwidth. Drawn once an update,
    with the variance of the lag: x = pi amplifier_khz/update_khz makes the density at the mirror
    sqrt(x coth x) of it, 6 % more at 4 and 20 kHz. [uV/sqrt(Hz)]"""
    calibration_error_pct: Annotated[float, Field(ge=0, le=20)]
    """Standard deviation of believed over true tilt per volt, per mirror and axis. [%]"""

    @property
    def swing_v(self) -> float:
        """Largest drive voltage v each way: half the full scale about the bias in push-pull. [V]"""
        return self.full_scale_v / 2 if self.comb == "push_pull" else self.full_scale_v

    @property
    def gain(self) -> float:
        """Nominal tilt per volt (push-pull) or per volt squared (single-sided). [rad/V, rad/V^2]"""
        power = 1 if self.comb == "push_pull" else 2
        return 1e-3 * self.full_scale_mrad / self.swing_v**power

    @property
    def noise_v(self) -> float:
        """Rms of the amplifier's noise: white noise through its own lag. [V]"""
        return 1e-6 * self.noise_uv_per_rthz * math.sqrt(math.pi / 2 * 1e3 * self.amplifier_khz)
