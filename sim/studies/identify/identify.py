"""From logs to estimates of every mirror and axis, held against what was nominal."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from sim.foundations.files.text import counted
from sim.scenario.model import Scenario
from sim.studies.identify.curves import fit_decay, fit_response, fit_staircase
from sim.studies.identify.estimate import AxisEstimate, weighted_estimates
from sim.studies.identify.log import Logs, Series, read_logs
from sim.studies.identify.prior import UNKNOWN, prior_of
from sim.studies.identify.series import Shown, fit_series, least_explained

LEAST_EXPLAINED = 0.5
"""A model that explains less of held-out data than this is not to be trusted; our choice."""


@dataclass(frozen=True, slots=True)
class Identified:
    """What was identified from logs."""

    estimates: tuple[AxisEstimate, ...]
    logs: Logs
    notes: tuple[str, ...]
    scenario: Scenario | None
    shown: tuple[Shown, ...]
    """Responses of the axis that the model explains least, to be drawn."""


def identify(
    path: str | Path,
    scenario: Scenario | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Identified:
    """Estimate resonance, quality factor, gain, cubic stiffness, coupling, delay and noise.

    Parameters
    ----------
    path : str or Path
        A log, or a folder of logs (see `sim.studies.identify.log`).
    scenario : Scenario, optional
        Nominal mirror and timing. Without it the exposure and the amplifier count as delay, and
        the gain is that of the log's own units.
    progress : callable, optional
        Called with (mirrors done, mirrors).

    Returns
    -------
    Identified
        One estimate for each mirror and axis that a log is about.

    Raises
    ------
    ProfileError
        If a log cannot be used.
    """
    logs = read_logs(Path(path))
    prior = UNKNOWN if scenario is None else prior_of(scenario)
    notes = []
    if scenario is None:
        notes.append(
            "No scenario was given: exposure and amplifier count as delay, and gains are those of "
            "the log."
        )
    found: list[AxisEstimate] = []
    shown = []
    for series in logs.series:
        estimates = fit_series(series, prior, progress)
        shown.append(least_explained(series, estimates, prior))
        at_rest, note = _at_rest(series, estimates, prior.cubic_per_rad2)
        found += at_rest
        notes.append(note)
    found += [fit_response(curve, prior) for curve in logs.responses]
    found += [fit_decay(curve) for curve in logs.decays]
    found += [fit_staircase(curve, square=prior.single_sided) for curve in logs.staircases]
    poor = sum(e.explained is not None and e.explained < LEAST_EXPLAINED for e in found)
    if poor:
        notes.append(
            f"{poor} of {counted(len(found), 'fit')} {'explains' if poor == 1 else 'explain'} "
            f"less than {LEAST_EXPLAINED:.0%} of the data "
            "that was withheld: do not trust those constants."
        )
    said = tuple(dict.fromkeys(notes))
    return Identified(tuple(weighted_estimates(found)), logs, said, scenario, tuple(shown))


def _at_rest(
    series: Series, estimates: list[AxisEstimate], cubic_per_rad2: tuple[float, float] | None
) -> tuple[list[AxisEstimate], str]:
    """Take a mirror excited about a tilt back to rest, where its cubic stiffness is known.

    About a tilt t the spring is 1 + 3 k3 t^2 times as stiff: resonance and quality factor are
    higher by its root, the gain is lower by it.
    """
    if cubic_per_rad2 is None or not np.isfinite(series.reference_rad).any():
        return estimates, "Constants are those about the tilt at which the mirrors were excited."
    column = {int(m): i for i, m in enumerate(series.mirrors)}
    out = []
    for e in estimates:
        tilt = series.reference_rad[column[e.mirror], e.axis]
        stiffer = 1.0 + 3.0 * cubic_per_rad2[e.axis] * tilt**2
        if not np.isfinite(stiffer):
            out.append(e)
            continue
        root = float(np.sqrt(stiffer))
        assert e.resonance_hz is not None and e.quality is not None and e.gain is not None
        other = series.reference_rad[column[e.mirror], 1 - e.axis]
        cross = e.cross_axis
        if cross is not None and np.isfinite(other):
            stiffer_other = 1.0 + 3.0 * cubic_per_rad2[1 - e.axis] * other**2
            cross = cross.scaled(float(stiffer / stiffer_other))
        out.append(
            e._replace(
                resonance_hz=e.resonance_hz.scaled(1.0 / root),
                quality=e.quality.scaled(1.0 / root),
                gain=e.gain.scaled(float(stiffer)),
                cross_axis=cross,
            )
        )
    return out, (
        "Constants are those at rest: the cubic stiffness of the scenario was taken off at the "
        "tilt about which each mirror was excited."
    )


def results_of(result: Identified) -> dict[str, Any]:
    """Return what `identify.json` holds."""
    rows = []
    for e in result.estimates:
        row: dict[str, Any] = {"mirror": e.mirror, "axis": "xy"[e.axis]}
        for name in ("resonance_hz", "quality", "gain", "cross_axis", "cubic_per_rad2",
                     "tilt_per_volt_rad"):  # fmt: skip
            row[name] = _interval(getattr(e, name))
        row["delay_us"] = None if e.delay_s is None else _interval(e.delay_s.scaled(1e6))
        row |= {
            "noise_urad": None if e.noise_rad is None else 1e6 * e.noise_rad,
            "explained": _plain(e.explained),
            "white": _plain(e.white),
            "outliers": e.outliers,
            "missing": e.missing,
            "notes": list(e.notes),
        }
        rows.append(row)
    return {
        "mirrors": rows,
        "files": [path.name for path in result.logs.files],
        "notes": list(result.notes),
        "meaning": {
            "low, high": "95 % interval",
            "gain": "true over believed static tilt",
            "explained": "share of the variance of the last part of the log, kept from the fit, "
            "that the model explains",
            "white": "share of the first residual correlations inside the band of white noise",
        },
    }


def _interval(value: Any) -> dict[str, float] | None:
    if value is None:
        return None
    return {"value": value.value, "low": value.low, "high": value.high}


def _plain(value: Any) -> float | None:
    return None if value is None else float(value)
