"""Pictures of a calibration: errors against intervals, the photon transfer, costs in the loop."""

import matplotlib
import numpy as np
from matplotlib.figure import Figure

from sim.report.drawing import BLUE, GREEN, INK, STYLE, VERMILION, Picture, finish
from sim.results.connection_losses import DARK_DB
from sim.results.limits import LimitsParams
from sim.studies.calibrate.cost import CALIBRATED, EXACT, SHEET, Costs
from sim.studies.calibrate.study import SimulatedCalibration


def errors_picture(found: SimulatedCalibration) -> Picture:
    """Draw every estimate with an interval against the truth, in half widths of its interval."""
    rows = [each for each in found.estimates if each.low is not None and each.high is not None]
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(7.4, 0.6 + 0.27 * len(rows)), layout="constrained")
        axes = figure.subplots()
        axes.axvspan(-1, 1, color="#e3edf5", zorder=0)
        axes.axvline(0, color=INK, lw=0.8)
        for i, each in enumerate(rows):
            assert each.low is not None and each.high is not None
            half = 0.5 * (each.high - each.low)
            off = (each.value - each.truth) / half if half > 0 else 0.0
            colour = BLUE if each.holds else VERMILION
            axes.plot(off, i, "o" if each.holds else "D", color=colour, ms=5)
        axes.set_yticks(range(len(rows)), [each.quantity for each in rows])
        axes.invert_yaxis()
        axes.set_xlim(-2.2, 2.2)
        axes.set_xlabel("estimate less truth, in half widths of its 95 % interval [-]")
        address = finish(figure)
    outside = sum(not each.holds for each in rows)
    return Picture(
        address, "Errors of all estimates against their intervals.",
        f"Shaded: the interval. {outside} of {len(rows)} {'lies' if outside == 1 else 'lie'} "
        "outside of it (diamonds); one in twenty is to be expected, more than one in five points "
        "to a procedure that misjudges itself.",
    )  # fmt: skip


def transfer_picture(found: SimulatedCalibration) -> Picture:
    """Draw variance over mean of both cameras, and the fits."""
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(7.4, 3.0), layout="constrained")
        axes = figure.subplots()
        looks = (("A", BLUE, "o", "-"), ("B", VERMILION, "s", "--"))
        for (name, colour, mark, dash), each in zip(looks, found.transfers, strict=True):
            x = each.mean_dn - each.mean_dn[0]
            y = each.variance_dn2 - each.variance_dn2[0]
            axes.plot(x[each.used], y[each.used], mark, color=colour, ms=4, label=f"{name}, fitted")
            axes.plot(x[~each.used], y[~each.used], mark, color=colour, ms=4, mfc="white",
                      label=f"{name}, left out")  # fmt: skip
            end = x[each.used].max()
            axes.plot([0, end], [0, each.gain_dn_per_e * end], dash, color=colour, lw=1.2)
        axes.set_xlabel("mean above the dark [DN]")
        axes.set_ylabel("variance above the dark [DN²]")
        axes.legend(ncols=2)
        address = finish(figure)
    return Picture(
        address, "Photon transfer of both cameras.",
        "Temporal variance from pairs of frames, over the mean; the slope is the system gain. "
        "Levels beyond 70 % of saturation are left out of the fit.",
    )  # fmt: skip


def costs_picture(found: Costs, limits: LimitsParams | None = None) -> Picture:
    """Draw settling and loss of every mixture of beliefs, and the limits of the scenario."""
    rows = [
        (EXACT, found.whole[EXACT], GREEN), (CALIBRATED, found.whole[CALIBRATED], BLUE),
        *((f"error left by: {part}", o, BLUE) for part, o in found.left.items()),
        *((f"without: {part}", o, VERMILION) for part, o in found.without.items()),
        (SHEET, found.whole[SHEET], VERMILION),
    ]  # fmt: skip
    settles = any(o.settling_max_ms for _, o, _ in rows)
    dark = all(o.excess_max_db is not None and o.excess_max_db > DARK_DB for _, o, _ in rows)
    first = ("settling_max_ms", "settling, slowest mirror [ms]")
    second = ("excess_max_db", f"misalignment loss, largest [dB]; {DARK_DB:g}: dark")
    if not settles:
        first = ("unsettled", "mirrors that never settle")
    if dark:
        second = ("excess_mean_db", f"misalignment loss, mean [dB]; {DARK_DB:g}: dark")
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(7.4, 0.8 + 0.3 * len(rows)), layout="constrained")
        left, right = figure.subplots(1, 2, sharey=True)
        drawn = False
        for axes, (key, words) in ((left, first), (right, second)):
            values = [getattr(o, key) for _, o, _ in rows]
            if key.endswith("_db"):
                values = [None if v is None else min(v, DARK_DB) for v in values]
            known = [v for v in values if v is not None and v > 0]
            for i, (value, (_, o, colour)) in enumerate(zip(values, rows, strict=True)):
                if key == "unsettled" or (value is not None and value > 0):
                    axes.plot(value, i, "o", color=colour, ms=5)
                elif key == "settling_max_ms":
                    text = f"{o.unsettled} never settle" if o.unsettled else "no move"
                    axes.text(0.03, i, text, color=colour, va="center", fontsize=8,
                              transform=axes.get_yaxis_transform())  # fmt: skip
            limit = None if limits is None else getattr(limits, key, None)
            if limit is not None and limit > 0 and known:
                axes.axvline(limit, color=INK, lw=1.2, ls="--")
                known.append(limit)
                drawn = True
            if key == "unsettled":
                axes.set_xlim(-0.05 * max(1, *values), 1.1 * max(1, *values))
            elif known:
                axes.set_xscale("log")
                axes.set_xlim(0.5 * min(known), 2.0 * max(known))
            axes.set_xlabel(words)
        left.set_yticks(np.arange(len(rows)), [name for name, _, _ in rows])
        left.set_ylim(len(rows) - 0.4, -0.6)
        address = finish(figure)
    return Picture(
        address, "Settling and loss with what is believed in each case.",
        "The same run, mirrors and noise; only beliefs differ. “Error left by”: all else is known "
        "exactly. “Without”: that part from data sheets, all else as calibrated."
        + (" Dashed: limits of the scenario." if drawn else ""),
    )  # fmt: skip
