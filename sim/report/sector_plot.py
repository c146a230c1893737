"""The picture of a nonlinearity in its loop: slopes and describing function, and the circle."""

import matplotlib
import numpy as np
from matplotlib.figure import Figure
from numpy.typing import NDArray

from sim.foundations.ports import Array
from sim.report.drawing import BLUE, GREEN, INK, STYLE, VERMILION, Picture, finish


def sector_picture(
    amplitude_urad: Array, slopes: Array, gains: Array, limit: float,
    response: NDArray[np.complex128], sector: tuple[float, float], name: str, place: str,
) -> Picture:  # fmt: skip
    """Draw one loop.

    Parameters
    ----------
    amplitude_urad : (K,) ndarray
        [urad]
    slopes, gains : (K,) ndarray
        map(A) / A, and the describing function.
    limit : float
        Gain at which the linear loop is at its limit.
    response : (F,) ndarray of complex
        What the map sees.
    sector : tuple of float
        Smallest and largest slope.
    name, place : str
        Of the loop; what the map is of.
    """
    low, high = sector
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(7.4, 3.7), layout="constrained")
        left, right = figure.subplots(1, 2)
        left.plot(amplitude_urad, slopes, color=BLUE, lw=1.2, label="slope, map(A) / A")
        left.plot(amplitude_urad, gains, color=VERMILION, lw=1.6, label="describing function")
        for level in sector:
            left.axhline(level, color=GREEN, lw=1.0, ls="-.",
                         label="sector" if level == high else None)  # fmt: skip
        if np.isfinite(limit) and limit < 6 * max(high, 1e-12):
            left.axhline(limit, color=INK, lw=1.2, ls="--", label="limit of the linear loop")
        left.set_xscale("log")
        left.set_xlabel(f"{place} A [urad]")
        left.set_ylabel("gain [-]")
        left.legend(loc="best")
        right.plot(response.real, response.imag, color=VERMILION, lw=1.5, label=name)
        right.plot(response.real, -response.imag, color=VERMILION, lw=0.7, alpha=0.5)
        edge = -1.0 / high
        if low > 1e-9 * high:
            other = -1.0 / low
            turn = np.linspace(0.0, 2 * np.pi, 181)
            centre, radius = 0.5 * (edge + other), 0.5 * (edge - other)
            right.plot(centre + radius * np.cos(turn), radius * np.sin(turn), color=GREEN, lw=1.4,
                       label="circle: keep out")  # fmt: skip
        else:
            right.axvline(edge, color=GREEN, lw=1.4, label="circle: keep to the right")
        span = 2.2 * max(abs(edge), 0.1)
        right.set_xlim(-span, span)
        right.set_ylim(-span, span)
        right.set_aspect("equal")
        right.set_xlabel("real part")
        right.set_ylabel("imaginary part")
        right.legend(loc="upper left", bbox_to_anchor=(0.0, -0.22))
        address = finish(figure)
    return Picture(
        address,
        "Slopes and describing function against amplitude, and the response that the map sees.",
        f"{name}. Left: where the describing function reaches the dashed limit a cycle is "
        "suggested. Right: the frequency response of all but the map, with what the circle "
        "criterion forbids it; thin, its mirror image.",
    )
