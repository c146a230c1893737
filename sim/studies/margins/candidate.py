"""One set of gains, with the shaping that goes with it, and what it is worth."""

from typing import Any, NamedTuple

from sim.foundations.ports import Array


class EachMirror(NamedTuple):
    """Figures of every mirror, (M,) each, of the switch as it is described."""

    ms: Array
    gain_margin_db: Array
    phase_margin_deg: Array
    settling_ms: Array
    """Median over the noise. [ms]"""
    loss_db: Array
    """Share in the mean excess loss: what the mirror adds to its own connection. [dB]"""


class Candidate(NamedTuple):
    """One set of gains and what it is worth; figures are the worst of all switches judged."""

    settings: dict[str, Any]
    """The whole controller table."""
    shaping: dict[str, Any]
    """The whole shaping table."""
    stable: bool
    ms: float
    """Largest over the population. [-]"""
    ms_mirror: str
    gain_margin_db: float
    """Smallest over the population; infinite if there is none. [dB]"""
    gain_mirror: str
    phase_margin_deg: float
    """Smallest over the population; infinite if there is none. [deg]"""
    phase_mirror: str
    settling_ms: float
    """Slowest predicted settling of the population, the median of what the noise makes of it.
    [ms]"""
    settling_mirror: str
    settling_interval_ms: tuple[float, float]
    """5 % and 95 % of that, of the switch as described. [ms]"""
    mean_settling_ms: float
    """Mean over the connections that move, each with the later of its mirrors. [ms]"""
    ringing_ms: float
    """What the shaped path and the ringing after it take without any correction. [ms]"""
    ringing_mirror: str
    noise_rad: float
    """Radial rms that noise and steps of the loop's own instruments leave. [rad]"""
    disturbed_rad: float
    """Radial rms that disturbances, and a move that still decays, leave. [rad]"""
    jitter_rad: float
    """Both together. [rad]"""
    loss_db: float
    """Predicted mean excess loss, what is left of the move's error included. [dB]"""
    meets: bool
    """Whether it keeps the demands that it was judged by."""
    each: EachMirror

    def worst(self, name: str) -> tuple[float, str]:
        """Return the figure that a demand is about, and its mirror."""
        mirrors = {"ms": "ms_mirror", "gain_margin_db": "gain_mirror",
                   "phase_margin_deg": "phase_mirror", "settling_ms": "settling_mirror"}
        return float(getattr(self, name)), str(getattr(self, mirrors[name]))  # fmt: skip
