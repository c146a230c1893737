"""Published tuning rules, from a process or its ultimate gain to controller gains."""

from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from controllers.sampled_model import sampled_model
from sim.foundations.ports import PlantBelief


class ContinuousGains(NamedTuple):
    """C(s) = gain (1 + 1 / (integral_s s)) (ideal form; with derivative_s see each rule)."""

    gain: float
    """Proportional gain, in units of input per output."""
    integral_s: float
    """Integral time; infinite without integral action. [s]"""
    derivative_s: float = 0.0
    """Derivative time. [s]"""


class FrameGains(NamedTuple):
    """The same gains as the shipped PI and PID take them (parallel form)."""

    proportional: float
    """[-]"""
    integral_per_frame: float
    """[-]"""
    derivative_frames: float
    """[frames]"""


class FirstOrderPlusDelay(NamedTuple):
    """k exp(-delay s) / ((lag s + 1) (second_lag s + 1))."""

    lag_s: float
    """[s]"""
    delay_s: float
    """[s]"""
    second_lag_s: float = 0.0
    """Kept for PID alone. [s]"""


def half_rule(
    lags_s: tuple[float, ...], delay_s: float = 0.0, *, order: Literal[1, 2] = 1
) -> FirstOrderPlusDelay:
    """Return a first- or second-order model with delay of a chain of lags.

    The largest neglected lag is split: half goes to the smallest kept lag, half to the delay;
    all smaller ones go to the delay.

    Parameters
    ----------
    lags_s : tuple of float
        Time constants. [s]
    delay_s : float
        True delay. [s]
    order : 1 or 2
        Lags to keep: 1 for PI, 2 for PID.

    Returns
    -------
    FirstOrderPlusDelay

    Raises
    ------
    ValueError
        If there are no lags, or one is not positive.

    References
    ----------
    .. [1] S. Skogestad, "Simple analytic rules for model reduction and PID controller tuning",
       J. Process Control 13 (2003) 291: the half rule.
    """
    if not lags_s or min(lags_s) <= 0.0:
        raise ValueError(f"lags_s must be positive and not empty, got {lags_s}")
    lags = sorted(lags_s, reverse=True)
    kept, rest = lags[:order], lags[order:]
    if rest:
        kept[-1] += rest[0] / 2.0
        delay_s += rest[0] / 2.0 + sum(rest[1:])
    return FirstOrderPlusDelay(kept[0], delay_s, kept[1] if len(kept) > 1 else 0.0)


def simc(
    model: FirstOrderPlusDelay, gain: float = 1.0, closed_loop_s: float | None = None
) -> ContinuousGains:
    """Return SIMC settings for a lag (or two) with delay.

    With a second lag the settings are those of the series form
    gain (1 + 1 / (integral_s s)) (1 + derivative_s s).

    Parameters
    ----------
    model : FirstOrderPlusDelay
        Lag and delay.
    gain : float
        Static gain of the process.
    closed_loop_s : float, optional
        Wished time constant of the closed loop; the delay if not given. [s]

    Returns
    -------
    ContinuousGains

    Raises
    ------
    ValueError
        If closed loop time constant plus delay is not positive.

    References
    ----------
    .. [1] S. Skogestad, J. Process Control 13 (2003) 291.
    """
    span_s = _span(model.delay_s, closed_loop_s)
    integral_s = min(model.lag_s, 4.0 * span_s)
    return ContinuousGains(model.lag_s / (gain * span_s), integral_s, model.second_lag_s)


def simc_integrating(
    slope_per_s: float, delay_s: float, closed_loop_s: float | None = None
) -> ContinuousGains:
    """Return SIMC settings for slope exp(-delay s) / s.

    Parameters
    ----------
    slope_per_s : float
        Rate of the output per unit of input. [1/s]
    delay_s : float
        Delay. [s]
    closed_loop_s : float, optional
        Wished time constant of the closed loop; the delay if not given. [s]

    Raises
    ------
    ValueError
        If closed loop time constant plus delay is not positive.

    References
    ----------
    .. [1] S. Skogestad, J. Process Control 13 (2003) 291.
    """
    span_s = _span(delay_s, closed_loop_s)
    return ContinuousGains(1.0 / (slope_per_s * span_s), 4.0 * span_s)


def simc_pure_delay(
    delay_s: float, frame_s: float, gain: float = 1.0, closed_loop_s: float | None = None
) -> float:
    """Return the integrator gain per frame for a process that is nothing but delay.

    The limit of `simc` for a lag of zero: an integrator of rate 1 / (gain (closed_loop + delay)).

    Raises
    ------
    ValueError
        If closed loop time constant plus delay is not positive.

    References
    ----------
    .. [1] S. Skogestad, J. Process Control 13 (2003) 291.
    """
    return frame_s / (gain * _span(delay_s, closed_loop_s))


def effective_delay_s(plant: PlantBelief) -> float:
    """Return the delay [s] of the believed loop at low frequency, as continuous rules mean it.

    The slope of the sampled plant's phase at rest, T C (I - A)^-2 B, of the slower axis, less half
    a frame: a sum that takes the newest error in at once is half a frame ahead of a true integral.
    For a mirror that follows at once and is seen d frames later this is (d - 1/2) frames. It is not
    the sum of the separate lags: a correction's ringing, met at a fixed time in each frame, shifts
    it by a share of a frame either way.

    Near the resonance, also a folded one, a single delay misleads: look at the sensitivity there.

    Parameters
    ----------
    plant : PlantBelief
        Timing and mirror as the controller believes them.

    Returns
    -------
    float
        [s]
    """
    model = sampled_model(
        plant.resonance_rad_s,
        plant.quality,
        plant.amplifier_s,
        plant.frame_s,
        plant.exposure_s,
        plant.latency_s,
    )
    rest = np.eye(model.A.shape[-1]) - model.A
    slope = (model.C @ np.linalg.solve(rest, np.linalg.solve(rest, model.B)))[:, 0, 0]
    return float(plant.frame_s * (slope.max() - 0.5))


def ziegler_nichols(
    kind: Literal["p", "pi", "pid"], ultimate_gain: float, ultimate_period_s: float
) -> ContinuousGains:
    """Return ultimate-gain settings (ideal form); lively, with little margin.

    Parameters
    ----------
    kind : "p", "pi" or "pid"
        Controller.
    ultimate_gain, ultimate_period_s : float
        Proportional gain at which the loop just oscillates, and the period of that [s].

    Returns
    -------
    ContinuousGains
        Gain, in the unit of `ultimate_gain`; integral and derivative time [s].

    Raises
    ------
    ValueError
        If `kind` is unknown.

    References
    ----------
    .. [1] J. G. Ziegler and N. B. Nichols, "Optimum settings for automatic controllers", Trans.
       ASME 64 (1942) 759. Values from memory, not checked against the paper.
    """
    if kind == "p":
        return ContinuousGains(0.5 * ultimate_gain, float("inf"))
    if kind == "pi":
        return ContinuousGains(0.45 * ultimate_gain, ultimate_period_s / 1.2)
    if kind == "pid":
        return ContinuousGains(
            0.6 * ultimate_gain, ultimate_period_s / 2.0, ultimate_period_s / 8.0
        )
    raise ValueError(f'kind must be "p", "pi" or "pid", got {kind!r}')


class Ultimate(NamedTuple):
    """Where a loop just oscillates."""

    gain: float
    """[-]; per frame for an integrator."""
    period_s: float
    """[s]"""


HIGHEST_GAIN = 8.0
"""Gains are looked at up to here: a frame's delay alone leaves at most 2 to an integrator."""


def ultimate(plant: PlantBelief, *, integrating: bool) -> Ultimate:
    """Return the least gain at which the believed mirror's loop oscillates, and its period.

    The sampled mirror, its resonance, exposure and delay included, under u[k] = u[k-1] + K e[k] or
    under u[k] = K e[k]; the axis that is first counts.

    Parameters
    ----------
    plant : PlantBelief
        Timing and mirror.
    integrating : bool
        Whether the controller is the integrator or the plain gain.

    Returns
    -------
    Ultimate

    Raises
    ------
    ValueError
        If no gain up to `HIGHEST_GAIN` makes the loop oscillate.
    """
    model = sampled_model(
        plant.resonance_rad_s, plant.quality, plant.amplifier_s, plant.frame_s, plant.exposure_s,
        plant.latency_s,
    )  # fmt: skip

    def poles(gain: float) -> NDArray[np.complex128]:
        loop = model.A - gain * model.B @ model.C
        if integrating:
            n = loop.shape[-1]
            whole = np.zeros((2, n + 1, n + 1))
            whole[:, :n, :n], whole[:, :n, n:] = loop, model.B
            whole[:, n:, :n], whole[:, n, n] = -gain * model.C, 1.0
            loop = whole
        return np.asarray(np.linalg.eigvals(loop), dtype=complex).ravel()

    def grows(gain: float) -> bool:
        return bool(np.abs(poles(gain)).max() > 1.0)

    tried = np.geomspace(1e-3, HIGHEST_GAIN, 400)
    first = next((i for i, gain in enumerate(tried) if grows(gain)), None)
    if first is None:
        raise ValueError(f"no gain up to {HIGHEST_GAIN:g} makes the believed loop oscillate")
    low, high = float(tried[max(first - 1, 0)]), float(tried[first])
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (low, middle) if grows(middle) else (middle, high)
    found = poles(high)
    angle = abs(float(np.angle(found[np.abs(found).argmax()])))
    return Ultimate(high, 2 * np.pi / angle * plant.frame_s)


def believed_rules(plant: PlantBelief) -> dict[str, FrameGains]:
    """Return the gains of rules for the believed plant, by the rule's name.

    SIMC sees a pure delay, the plant's effective one; the others its sampled mirror, see
    `ultimate`.
    """
    simc_gain = simc_pure_delay(effective_delay_s(plant), plant.frame_s)
    rules = {"SIMC": FrameGains(0.0, simc_gain, 0.0)}
    integral = ultimate(plant, integrating=True)
    rules["half the ultimate gain"] = FrameGains(0.0, 0.5 * integral.gain, 0.0)
    plain = ziegler_nichols("pi", *ultimate(plant, integrating=False))
    return rules | {"ultimate-gain PI": per_frame(plain, plant.frame_s)}


def per_frame(gains: ContinuousGains, frame_s: float) -> FrameGains:
    """Return ideal-form settings as gains per frame (backward differences).

    The delay that the rule was given must be that of the sampled loop, see `effective_delay_s`.

    Parameters
    ----------
    gains : ContinuousGains
        Gain [-], integral and derivative time [s].
    frame_s : float
        Time between two readings. [s]

    Returns
    -------
    FrameGains
        As the shipped PI and PID take them.
    """
    return FrameGains(
        gains.gain,
        gains.gain * frame_s / gains.integral_s,
        gains.gain * gains.derivative_s / frame_s,
    )


def _span(delay_s: float, closed_loop_s: float | None) -> float:
    """Return closed-loop time constant plus delay, checked."""
    span_s = delay_s + (delay_s if closed_loop_s is None else closed_loop_s)
    if span_s <= 0.0:
        raise ValueError(f"closed_loop_s + delay_s must be positive, got {span_s:g}")
    return span_s
