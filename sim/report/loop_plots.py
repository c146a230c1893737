"""Pictures of loops: Bode and Nyquist fans, sensitivity with its integral, responses in time."""

from typing import Any

import matplotlib
import numpy as np
from matplotlib.figure import Figure
from numpy.typing import NDArray

from sim.ports import Array
from sim.report.drawing import BLUE, GREEN, INK, ORANGE, STYLE, VERMILION, Picture, finish

Complex = NDArray[np.complex128]
FAN: dict[str, Any] = {"color": BLUE, "lw": 0.6, "alpha": 0.35}
WORST: dict[str, Any] = {"color": VERMILION, "lw": 1.8}
LEAST = 1e-4
"""Loop gains and sensitivities are drawn from here up. [-]"""


def _fan_note(shown: int, total: int, worst: str) -> str:
    which = f"All {total} loops" if shown == total else f"{shown} of {total} loops, evenly by Ms,"
    return f"{which} in blue; the one with the largest Ms, {worst}, in vermilion. "


def bode_fan(frequency_hz: Array, gain: Complex, total: int, worst: str) -> Picture:
    """Draw magnitude and phase of loop gains (F, K); the last one is the worst."""
    size = np.maximum(np.abs(gain), LEAST)
    phase = np.degrees(np.unwrap(np.angle(gain), axis=0))
    phase -= 360.0 * np.round((phase[:1] + 90.0) / 360.0)
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(7.4, 4.6), layout="constrained")
        top, bottom = figure.subplots(2, 1, sharex=True)
        for axes, curves in ((top, size), (bottom, phase)):
            axes.plot(frequency_hz, curves[:, :-1], **FAN)
            axes.plot(frequency_hz, curves[:, -1], **WORST)
            axes.set_xscale("log")
        top.set_yscale("log")
        top.axhline(1.0, color=INK, lw=1.0, ls="--")
        bottom.axhline(-180.0, color=INK, lw=1.0, ls="--")
        top.set_ylabel("|L|")
        bottom.set_ylabel("phase of L [deg]")
        bottom.set_xlabel("frequency [Hz]")
        top.set_xlim(frequency_hz[0], frequency_hz[-1])
        address = finish(figure)
    return Picture(
        address,
        "Magnitude and phase of the loop gain against frequency, a fan of mirrors.",
        f"Loop gain of each axis with the other axis' loop closed, up to half the frame rate. "
        f"{_fan_note(gain.shape[1], total, worst)}"
        "A resonance above half the frame rate stands where the frames fold it to.",
    )


def nyquist_fan(gain: Complex, total: int, worst: str, ms: float) -> Picture:
    """Draw loop gains (F, K) in the plane, with the circle that the largest Ms touches."""
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(7.4, 4.4), layout="constrained")
        axes = figure.subplots()
        axes.plot(gain.real[:, :-1], gain.imag[:, :-1], **FAN)
        axes.plot(gain.real[:, -1], gain.imag[:, -1], **WORST)
        turn = np.linspace(0.0, 2 * np.pi, 181)
        for radius, colour, dash, label in (
            (1.0, INK, ":", "|L| = 1"),
            (1.0 / ms, VERMILION, "--", f"Ms = {ms:.3f}, the largest here"),
            (1.0 / 1.7, GREEN, "-.", "Ms = 1.7"),
        ):
            centre = 0.0 if label.startswith("|") else -1.0
            axes.plot(
                centre + radius * np.cos(turn), radius * np.sin(turn), color=colour, ls=dash,
                lw=1.2, label=label,
            )  # fmt: skip
        axes.plot([-1.0], [0.0], "+", color=INK, ms=9, mew=1.6, label="critical point")
        axes.set_xlim(-2.4, 2.4)
        axes.set_ylim(-1.6, 1.2)
        axes.set_aspect("equal")
        axes.set_xlabel("real part of L")
        axes.set_ylabel("imaginary part of L")
        axes.legend(loc="lower right", frameon=True, framealpha=0.9)
        address = finish(figure)
    return Picture(
        address,
        "Nyquist plot of the loop gains with Ms circles about the critical point.",
        f"{_fan_note(gain.shape[1], total, worst)}"
        "A loop that stays outside a circle about -1 of radius 1/Ms has at most that |S|. "
        "The low-frequency part leaves the picture.",
    )


def sensitivity_fan(
    frequency_hz: Array,
    size: Array,
    total: int,
    worst: str,
    integral: float,
    below: float,
    above: float,
) -> Picture:
    """Draw |S| (F, K), and beside it the worst one's logarithm over linear frequency.

    Parameters
    ----------
    frequency_hz : (F,) ndarray
        [Hz]
    size : (F, K) ndarray
        |S|; the last column is the worst.
    total : int
        Loops in the population.
    worst : str
        Name of the worst one.
    integral, below, above : float
        Mean of ln |S| of the worst over frequency, and its parts where ln |S| < 0 and > 0.
    """
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(7.4, 3.4), layout="constrained")
        left, right = figure.subplots(1, 2, width_ratios=(3, 2))
        drawn = np.maximum(size, LEAST)
        left.plot(frequency_hz, drawn[:, :-1], **FAN)
        left.plot(frequency_hz, drawn[:, -1], **WORST)
        left.axhline(1.0, color=INK, lw=1.0, ls="--")
        left.axhline(1.7, color=GREEN, lw=1.0, ls="-.", label="1.7")
        left.set_xscale("log")
        left.set_yscale("log")
        left.set_xlim(frequency_hz[0], frequency_hz[-1])
        left.set_xlabel("frequency [Hz]")
        left.set_ylabel("|S|")
        left.legend(loc="lower right")
        log = np.log(np.maximum(size[:, -1], 1e-9))
        right.fill_between(frequency_hz, log, 0, where=log < 0, color=BLUE, alpha=0.35, lw=0)
        right.fill_between(frequency_hz, log, 0, where=log > 0, color=ORANGE, alpha=0.55, lw=0)
        right.plot(frequency_hz, log, color=VERMILION, lw=1.2)
        right.axhline(0.0, color=INK, lw=1.0)
        right.set_ylim(max(float(log.min()), -3.0), max(1.25 * float(log.max()), 0.3))
        right.set_xlabel("frequency [Hz]")
        right.set_ylabel("ln |S|")
        right.set_title(f"areas {below:+.4f}, {above:+.4f}")
        address = finish(figure)
    return Picture(
        address,
        "Sensitivity against frequency, and the logarithm of the worst one on a linear axis.",
        f"{_fan_note(size.shape[1], total, worst)}"
        f"Right: what is gained at low frequency is paid for above (Bode's integral). The mean of "
        f"ln |S| up to half the frame rate is {integral:+.5f} for {worst}; it must be 0 for a "
        "stable loop with at least one frame of delay and a controller that is not itself "
        "unstable.",
    )


def answers_in_time(
    frame_ms: float, step: Array, disturbance: Array, total: int, worst: str
) -> Picture:
    """Draw readings (K frames, loops) after a step of the reference and of the rest angle."""
    time = frame_ms * np.arange(len(step))
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(7.4, 3.1), layout="constrained")
        left, right = figure.subplots(1, 2)
        for axes, curves, title, level in (
            (left, step, "step of the reference", 1.0),
            (right, disturbance, "step of the rest angle", 0.0),
        ):
            axes.plot(time, curves[:, :-1], **FAN)
            axes.plot(time, curves[:, -1], **WORST)
            axes.axhline(level, color=INK, lw=1.0, ls="--")
            axes.set_title(title)
            axes.set_xlabel("time [ms]")
            axes.set_xlim(0, time[-1])
        left.set_ylabel("tilt, mean over exposure, per step")
        address = finish(figure)
    return Picture(
        address,
        "Responses of the loops to a step of the reference and to a step of the rest angle.",
        f"{_fan_note(step.shape[1], total, worst)}"
        "One value a frame, the mean over the exposure; both steps happen at the start of frame 0. "
        "Left: by feedback alone; a switch command goes through the feed-forward and is faster.",
    )
