"""Pictures of loops: Bode and Nyquist fans, sensitivity with its integral, responses in time."""

from collections.abc import Sequence
from typing import Any, Literal, NamedTuple

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from sim.foundations.ports import Array
from sim.report.drawing import (
    BLUE,
    DEMAND,
    GREEN,
    INK,
    ORANGE,
    STYLE,
    VERMILION,
    VIOLET,
    Picture,
    finish,
)
from sim.results.requirements import RequirementsParams

Complex = NDArray[np.complex128]
FAN: dict[str, Any] = {"color": BLUE, "lw": 0.6, "alpha": 0.35}
WORST: dict[str, Any] = {"color": VERMILION, "lw": 1.8}
LEAST_GAIN: dict[str, Any] = {"color": ORANGE, "lw": 1.6, "ls": "--"}
LEAST = 1e-4
"""Loop gains and sensitivities are drawn from here up. [-]"""


class Marked(NamedTuple):
    """A loop with one of its margins drawn into the picture."""

    name: str
    kind: Literal["gain", "phase"]
    gain: Complex
    """(F,) its loop gain."""
    at_hz: float
    margin: float
    """[dB] or [deg]"""


def _fan_note(shown: int, total: int, worst: str) -> str:
    which = "The only loop" if total == 1 else f"All {total} loops" if shown == total else (
        f"{shown} of {total} loops, evenly by Ms,"
    )
    return f"{which} in blue; the one with the largest Ms, {worst}, in vermilion. "


def bode_fan(
    frequency_hz: Array, gain: Complex, total: int, worst: str, marked: Sequence[Marked],
    required: RequirementsParams,
) -> Picture:  # fmt: skip
    """Draw magnitude and phase of loop gains (F, K); the last one is the worst.

    The smallest gain margin and the smallest phase margin of the population are drawn as bars in
    their own loops' curves, the required ones as lines.
    """
    least = 10 ** (-required.gain_margin_db / 20)
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(7.4, 5.0), layout="constrained")
        top, bottom = figure.subplots(2, 1, sharex=True)
        for axes, curves in ((top, _size(gain)), (bottom, _phase_deg(gain))):
            axes.plot(frequency_hz, curves[:, :-1], **FAN)
            axes.plot(frequency_hz, curves[:, -1], **WORST, label=f"largest Ms: {worst}")
            axes.set_xscale("log")
        top.set_yscale("log")
        top.axhline(1.0, color=INK, lw=1.0, ls="--")
        top.axhline(least, **DEMAND, label="required")
        bottom.axhline(-180.0, color=INK, lw=1.0, ls="--")
        bottom.axhline(-180.0 + required.phase_margin_deg, **DEMAND, label="required")
        for mark in marked:
            _draw_margin(top, bottom, frequency_hz, mark)
        top.set_ylabel("|L|")
        bottom.set_ylabel("phase of L [deg]")
        bottom.set_xlabel("frequency [Hz]")
        top.set_xlim(frequency_hz[0], frequency_hz[-1])
        handles, labels = top.get_legend_handles_labels()
        more, words = bottom.get_legend_handles_labels()
        keep = {w: h for w, h in zip([*labels, *words], [*handles, *more], strict=True)}
        figure.legend(keep.values(), keep.keys(), loc="outside lower center", ncols=1)
        address = finish(figure)
    return Picture(
        address,
        "Magnitude and phase of the loop gain against frequency, a fan of mirrors, with margins.",
        f"Loop gain of each axis with the other axis' loop closed, up to half the frame rate. "
        f"{_fan_note(gain.shape[1], total, worst)}"
        "Bars: the smallest gain margin, read where the phase is -180 degrees, and the smallest "
        "phase margin, read where |L| = 1. Green: what is required. The bar of the gain margin "
        "must reach below the upper line, that of the phase margin above the lower one. "
        "A resonance above half the frame rate stands where the frames fold it to.",
    )


def _size(gain: Complex) -> Array:
    return np.maximum(np.abs(gain), LEAST)


def _phase_deg(gain: Complex) -> Array:
    phase = np.degrees(np.unwrap(np.angle(gain), axis=0))
    return np.asarray(phase - 360.0 * np.round((phase[:1] + 90.0) / 360.0))


def _draw_margin(top: Axes, bottom: Axes, frequency_hz: Array, mark: Marked) -> None:
    """Draw one margin, and the curve of the loop that it is of."""
    if mark.kind == "gain":
        top.plot(frequency_hz, _size(mark.gain), color=ORANGE, lw=1.3)
        top.plot([mark.at_hz] * 2, [10 ** (-mark.margin / 20), 1.0], color=ORANGE, lw=3.0,
                 marker="_", ms=9, mew=2.0,
                 label=f"smallest gain margin {mark.margin:.2f} dB: {mark.name}")  # fmt: skip
        return
    curve = _phase_deg(mark.gain[:, None])[:, 0]
    here = float(np.interp(mark.at_hz, frequency_hz, curve))
    bottom.plot(frequency_hz, curve, color=VIOLET, lw=1.3)
    nearest = -180.0 + 360.0 * round((here + 180.0) / 360.0)
    bottom.plot([mark.at_hz] * 2, [nearest, here], color=VIOLET, lw=3.0, marker="_", ms=9, mew=2.0,
                label=f"smallest phase margin {mark.margin:.1f}°: {mark.name}")  # fmt: skip


def nyquist_fan(
    gain: Complex, total: int, worst: str, ms: float, required: RequirementsParams,
    least: tuple[str, Complex] | None = None,
) -> Picture:  # fmt: skip
    """Draw loop gains (F, K) in the plane, with the circle that the largest Ms touches.

    What is required is drawn too: the circle of Ms, and the points on the real axis and on the
    unit circle that gain and phase margin keep clear.
    """
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(7.4, 3.5), layout="constrained")
        axes = figure.subplots()
        axes.plot(gain.real[:, :-1], gain.imag[:, :-1], **FAN)
        axes.plot(gain.real[:, -1], gain.imag[:, -1], **WORST, label=f"largest Ms: {worst}")
        if least is not None:
            label = f"smallest gain margin: {least[0]}"
            axes.plot(least[1].real, least[1].imag, **LEAST_GAIN, label=label)
        turn = np.linspace(0.0, 2 * np.pi, 181)
        for radius, colour, dash, label in (
            (1.0, INK, ":", "|L| = 1"),
            (1.0 / ms, VERMILION, "--", f"Ms = {ms:.3f}, the largest here"),
            (1.0 / required.max_sensitivity, GREEN, "-.",
             f"Ms = {required.max_sensitivity:g}, required"),
        ):  # fmt: skip
            centre = 0.0 if label.startswith("|") else -1.0
            axes.plot(
                centre + radius * np.cos(turn), radius * np.sin(turn), color=colour, ls=dash,
                lw=1.2, label=label,
            )  # fmt: skip
        angle = np.radians(180.0 - required.phase_margin_deg)
        axes.plot([-(10 ** (-required.gain_margin_db / 20))], [0.0], "|", color=GREEN, ms=12,
                  mew=2.0, label=f"gain margin {required.gain_margin_db:g} dB, required")
        axes.plot([0.0, np.cos(angle)], [0.0, -np.sin(angle)], color=GREEN, lw=1.2, ls=":",
                  label=f"phase margin {required.phase_margin_deg:g}°, required")
        axes.plot([-1.0], [0.0], "+", color=INK, ms=9, mew=1.6, label="critical point")
        axes.set_xlim(-2.4, 2.4)
        axes.set_ylim(-1.6, 1.2)
        axes.set_aspect("equal")
        axes.set_xlabel("real part of L")
        axes.set_ylabel("imaginary part of L")
        axes.legend(loc="upper left", bbox_to_anchor=(1.01, 1.0))
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
    required: RequirementsParams,
    least: tuple[str, Array] | None = None,
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
    required : RequirementsParams
        Its Ms is drawn across.
    least : tuple of (str, (F,) ndarray), optional
        Name and |S| of the loop with the smallest gain margin.
    """
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(7.4, 3.4), layout="constrained")
        left, right = figure.subplots(1, 2, width_ratios=(3, 2))
        drawn = np.maximum(size, LEAST)
        left.plot(frequency_hz, drawn[:, :-1], **FAN)
        left.plot(frequency_hz, drawn[:, -1], **WORST, label=f"largest Ms: {worst}")
        if least is not None:
            label = f"smallest gain margin: {least[0]}"
            left.plot(frequency_hz, np.maximum(least[1], LEAST), **LEAST_GAIN, label=label)
        left.axhline(1.0, color=INK, lw=1.0, ls="--")
        level = required.max_sensitivity
        left.axhline(level, **DEMAND, label=f"Ms {level:g} required")
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


def steps_in_time(
    time_ms: Array, step: Array, rest: Array, frame_ms: float, step_read: Array, rest_read: Array,
    total: int, worst: str, least: tuple[str, Array, Array] | None,
) -> Picture:  # fmt: skip
    """Draw tilts (N instants, loops) after a step of the reference and of the rest angle.

    Parameters
    ----------
    time_ms : (N,) ndarray
        Instants, several in a frame. [ms]
    step, rest : (N, loops) ndarray
        Tilt, for a step of 1; the last loop is the worst.
    frame_ms : float
        [ms]
    step_read, rest_read : (K,) ndarray
        Readings of the worst loop, one a frame.
    total : int
        Loops in the population.
    worst : str
        Name of the worst one.
    least : tuple of (str, (N,) ndarray, (N,) ndarray), optional
        Name and both tilts of the loop with the smallest gain margin.
    """
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(7.4, 3.6), layout="constrained")
        left, right = figure.subplots(1, 2)
        for i, (axes, curves, read, title, level) in enumerate(
            (
                (left, step, step_read, "step of the reference", 1.0),
                (right, rest, rest_read, "step of the rest angle", 0.0),
            )
        ):
            axes.plot(time_ms, curves[:, :-1], **FAN)
            axes.plot(time_ms, curves[:, -1], **WORST, label=f"largest Ms: {worst}")
            if least is not None:
                label = f"smallest gain margin: {least[0]}"
                axes.plot(time_ms, least[1 + i], **LEAST_GAIN, label=label)
            axes.plot(frame_ms * np.arange(len(read)), read, ".", color=INK, ms=3.0,
                      label=f"readings of {worst}")  # fmt: skip
            axes.axhline(level, color=INK, lw=1.0, ls="--")
            axes.set_title(title)
            axes.set_xlabel("time [ms]")
            axes.set_xlim(0, time_ms[-1])
        left.set_ylabel("tilt, per step")
        handles, labels = left.get_legend_handles_labels()
        figure.legend(handles, labels, loc="outside lower center", ncols=3)
        address = finish(figure)
    return Picture(
        address,
        "Responses of the loops to a step of the reference and to a step of the rest angle.",
        f"{_fan_note(step.shape[1], total, worst)}"
        "Lines: the tilt itself, between the frames too. Dots: readings, each the mean over an "
        "exposure, drawn at its frame's start. Both steps happen at the start of frame 0. "
        "Left: by feedback alone; a switch command goes through the feed-forward and is faster.",
    )
