"""Pictures of an identification: measured against model, and every mirror with its interval."""

from collections.abc import Mapping, Sequence

import matplotlib
import numpy as np
from matplotlib.figure import Figure
from numpy.typing import NDArray

from sim.foundations.ports import Array
from sim.report.drawing import BLUE, INK, ORANGE, STYLE, VERMILION, Picture, finish


def measured_against_model(
    name: str, frequency_hz: Array, measured: NDArray[np.complex128],
    model: NDArray[np.complex128], coherence: Array,
) -> Picture:  # fmt: skip
    """Draw magnitude, phase and coherence (F,) of one mirror and axis."""
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(7.4, 5.4), layout="constrained")
        top, middle, bottom = figure.subplots(3, 1, sharex=True, height_ratios=(3, 2, 1))
        for axes, part in ((top, np.abs), (middle, lambda r: np.rad2deg(np.angle(r)))):
            axes.plot(frequency_hz, part(measured), ".", ms=3, color=BLUE, label="measured")
            axes.plot(frequency_hz, part(model), "-", lw=1.3, color=VERMILION, label="model")
        bottom.plot(frequency_hz, coherence, "-", lw=1.0, color=INK)
        top.set_yscale("log")
        top.set_ylabel("reading / correction [-]")
        top.legend(loc="best")
        middle.set_ylabel("phase [deg]")
        bottom.set_ylabel("coherence [-]")
        bottom.set_ylim(0, 1.05)
        bottom.set_xlabel("frequency [Hz]")
        address = finish(figure)
    return Picture(
        address,
        f"Frequency response of {name}, measured and modelled.",
        f"{name}. Measured: averaged cross spectra with the excitation. Model: the fitted mirror "
        "with delay, hold and exposure, sampled by frames; a resonance above half the frame rate "
        "appears at its fold.",
    )


def by_mirror(
    panels: Mapping[str, Sequence[tuple[Array, Array, Array, Array]]], nominal: Mapping[str, tuple]
) -> Picture:
    """Draw each quantity over mirrors: for x and y the numbers, values, lower and upper ends."""
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(7.4, 1.9 * len(panels) + 0.5), layout="constrained")
        rows = np.atleast_1d(figure.subplots(len(panels), 1, sharex=True))
        for axes, (label, both) in zip(rows, panels.items(), strict=True):
            for (numbers, value, low, high), colour, letter, shift in zip(
                both, (BLUE, ORANGE), "xy", (-0.15, 0.15), strict=True
            ):
                axes.errorbar(
                    numbers + shift, value, yerr=(value - low, high - value), fmt="o", ms=2.5,
                    lw=0.8, color=colour, label=f"axis {letter}",
                )  # fmt: skip
            for level in nominal.get(label, ()):
                axes.axhline(level, color=INK, lw=0.7, ls="--")
            axes.set_ylabel(label)
        rows[0].legend(loc="upper left", bbox_to_anchor=(1.01, 1.0))
        rows[-1].set_xlabel("mirror number")
        address = finish(figure)
    return Picture(
        address,
        "Estimates of every mirror with their intervals.",
        "Bars: 95 % intervals. Dashed: nominal values of the scenario.",
    )
