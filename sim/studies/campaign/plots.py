"""The picture of a case: acceleration, error and loss over time."""

from collections.abc import Sequence

import matplotlib
import numpy as np
from matplotlib.figure import Figure

from sim.report.drawing import BLUE, GREEN, INK, STYLE, VERMILION, Picture, finish
from sim.results.table import LIMITED
from sim.studies.run.make import Run


def course(made: Run, name: str, limits: Sequence[str]) -> Picture:
    """Draw a case over time, largest over mirrors and connections in each sampling interval."""
    traces, scenario = made.outcome.traces, made.built.resolved
    unit = 1e3 if traces.time_s[-1] < 2.0 else 1.0
    time = unit * traces.time_s
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(7.4, 4.6), layout="constrained")
        base, error, loss = figure.subplots(3, 1, sharex=True)
        for axis, colour in zip(range(3), (BLUE, VERMILION, GREEN), strict=True):
            wave = traces.acceleration_peak_m_s2[:, axis] / 9.80665
            base.plot(time, wave, color=colour, lw=0.9, label="xyz"[axis])
        base.set_ylabel("core [g]")
        base.legend(loc="upper right", ncols=3)
        error.plot(time, 1e6 * traces.error_peak_rad.max(axis=1), color=BLUE, lw=1.0)
        error.set_ylabel("error [urad]")
        loss.plot(time, np.maximum(traces.excess_peak_db.max(axis=1), 1e-3), color=BLUE, lw=1.0)
        loss.axhline(scenario.metrics.outage_excess_db, color=INK, ls=":", lw=1.0)
        if scenario.limits.max_urad is not None:
            error.axhline(scenario.limits.max_urad, color=VERMILION, lw=1.2)
        if scenario.limits.excess_max_db is not None:
            loss.axhline(scenario.limits.excess_max_db, color=VERMILION, lw=1.2)
        held = traces.time_s >= 1e-3 * scenario.metrics.hold_from_ms
        if held.any():  # what is taken up at the start is not judged
            top = 1.15e6 * float(traces.error_peak_rad[held].max())
            error.set_ylim(0.0, max(top, 1.05 * error.get_lines()[-1].get_ydata()[0])
                           if scenario.limits.max_urad is not None else top)  # fmt: skip
        loss.set_yscale("log")
        loss.set_ylabel("misalignment\nloss [dB]")
        loss.set_xlabel("time [ms]" if unit > 1 else "time [s]")
        loss.set_xlim(0, time[-1])
        address = finish(figure)
    said = ", ".join(LIMITED[limit].said for limit in limits)
    return Picture(
        address, f"Acceleration, error and loss over time: {name}.",
        f"{name}: worst case of {said}. Largest over mirrors and connections in each sampling "
        "interval. Dotted: outage limit; full: the limit asked for, where it is one of these.",
    )  # fmt: skip
