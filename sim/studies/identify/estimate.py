"""What was found about one mirror and axis, with 95 % intervals, and how estimates are joined."""

from collections.abc import Iterable
from typing import Final, NamedTuple

import numpy as np

CONFIDENCE: Final = 1.959963985
"""Standard deviations to either side of a 95 % interval of a normal distribution."""
DISAGREE: Final = 4.0
"""Two logs disagree if their difference exceeds this many of its standard deviations."""


class Value(NamedTuple):
    """An estimate and its standard deviation; on a logarithmic scale where it must be positive."""

    value: float
    sd: float
    log: bool = False

    @property
    def low(self) -> float:
        """Lower end of the 95 % interval."""
        return self._end(-CONFIDENCE)

    @property
    def high(self) -> float:
        """Upper end of the 95 % interval."""
        return self._end(CONFIDENCE)

    def _end(self, deviations: float) -> float:
        if self.log:
            return float(self.value * np.exp(deviations * self.sd))
        return self.value + deviations * self.sd

    def contains(self, truth: float) -> bool:
        """Whether the 95 % interval holds a value."""
        return self.low <= truth <= self.high

    def scaled(self, factor: float) -> "Value":
        """Return the same times a factor that is known exactly."""
        return Value(self.value * factor, self.sd * (1.0 if self.log else abs(factor)), self.log)


class AxisEstimate(NamedTuple):
    """One mirror and axis; None is what the logs do not tell."""

    mirror: int
    axis: int
    resonance_hz: Value | None = None
    quality: Value | None = None
    gain: Value | None = None
    """True over believed static tilt. [-]"""
    delay_s: Value | None = None
    cross_axis: Value | None = None
    cubic_per_rad2: Value | None = None
    tilt_per_volt_rad: Value | None = None
    """Static tilt per volt, or per volt squared of a single-sided comb. [rad/V, rad/V^2]"""
    noise_rad: float | None = None
    """Standard deviation of a reading. [rad]"""
    explained: float | None = None
    """Share of the variance of held-out data that the model explains. [-]"""
    white: float | None = None
    """Share of residual correlations inside the band of white noise. [-]"""
    outliers: int = 0
    missing: int = 0
    notes: tuple[str, ...] = ()


VALUES: Final = ("resonance_hz", "quality", "gain", "delay_s", "cross_axis", "cubic_per_rad2",
                 "tilt_per_volt_rad")  # fmt: skip


def weighted_estimates(estimates: Iterable[AxisEstimate]) -> list[AxisEstimate]:
    """Return one estimate for each mirror and axis: values weighted by their inverse variances.

    Where two logs disagree beyond chance the note says so, and the interval spans both.
    """
    groups: dict[tuple[int, int], list[AxisEstimate]] = {}
    for estimate in estimates:
        groups.setdefault((estimate.mirror, estimate.axis), []).append(estimate)
    return [_joined(groups[key]) for key in sorted(groups)]


def _joined(group: list[AxisEstimate]) -> AxisEstimate:
    if len(group) == 1:
        return group[0]
    fields: dict = {}
    notes = [note for estimate in group for note in estimate.notes]
    for name in VALUES:
        values = [v for e in group if (v := getattr(e, name)) is not None]
        fields[name], apart = _mean(values)
        if apart:
            notes.append(f"logs disagree about {name}")
    for name in ("noise_rad", "explained", "white"):
        known = [v for e in group if (v := getattr(e, name)) is not None]
        fields[name] = known[0] if known else None
    return AxisEstimate(
        group[0].mirror, group[0].axis, **fields,
        outliers=sum(e.outliers for e in group), missing=sum(e.missing for e in group),
        notes=tuple(dict.fromkeys(notes)),
    )  # fmt: skip


def _mean(values: list[Value]) -> tuple[Value | None, bool]:
    if len(values) < 2:
        return (values[0] if values else None), False
    log = values[0].log
    x = np.array([np.log(v.value) if log else v.value for v in values])
    sd = np.array([max(v.sd, 1e-15) for v in values])
    weight = 1.0 / sd**2
    mean = float((weight * x).sum() / weight.sum())
    spread = float(weight.sum() ** -0.5)
    apart = bool((np.abs(x - mean) > DISAGREE * sd).any())
    if apart:
        spread = max(spread, float(np.abs(x - mean).max()) / CONFIDENCE)
    return Value(float(np.exp(mean)) if log else mean, spread, log), apart
