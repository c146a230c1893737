"""The picture of a prediction: where in frequency each contributor leaves its error."""

from collections.abc import Sequence

import matplotlib
import numpy as np
from matplotlib.figure import Figure

from sim.foundations.ports import Array
from sim.report.drawing import STYLE, Picture, finish

DASHES = ("-", "--", "-.", ":", (0, (5, 1)), (0, (1, 1)), (0, (3, 1, 1, 1)))
COLOURS = ("#0072B2", "#D55E00", "#009E73", "#E69F00", "#56B4E9", "#CC79A7", "#1d2733")


def residual_spectra(frequency_hz: Array, names: Sequence[str], density: Array) -> Picture:
    """Draw residual densities (K, F), radial and averaged over mirrors. [urad^2/Hz]"""
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(7.4, 3.8), layout="constrained")
        axes = figure.subplots()
        for k, name in enumerate(names):
            axes.plot(
                frequency_hz, np.sqrt(density[k]), color=COLOURS[k % len(COLOURS)],
                ls=DASHES[k % len(DASHES)], lw=1.5, label=name,
            )  # fmt: skip
        axes.plot(frequency_hz, np.sqrt(density.sum(axis=0)), color="#59646f", lw=0.8, label="sum")
        top = float(np.sqrt(density.sum(axis=0).max()))
        axes.set_ylim(1e-5 * top, 2 * top)
        axes.set_xscale("log")
        axes.set_yscale("log")
        axes.set_xlabel("frequency [Hz]")
        axes.set_ylabel("residual [urad/sqrt(Hz)]")
        axes.legend(loc="upper left", bbox_to_anchor=(1.01, 1.0))
        address = finish(figure)
    return Picture(
        address,
        "Residual error density of each contributor against frequency.",
        "One-sided, radial, root of the mean square over mirrors, up to half the frame rate; what "
        "counts as bias over the hold interval is taken out. Error above half the frame rate is in "
        "the figures but not in this picture. Cut off at a hundred-thousandth of the peak.",
    )
