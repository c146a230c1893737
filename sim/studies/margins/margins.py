"""How stable every loop of a scenario is: margins of the whole population, worst ones by name."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any, Final

import numpy as np

from controllers.analysis.linear_loop import (
    Loop,
    axis_gain,
    close,
    frequency_grid,
    gain_to_fall,
    growth,
    largest_singular_value,
    loop_gain,
    noise_gain,
    sensitivity,
)
from controllers.analysis.linearise import LinearController, linearise
from controllers.analysis.margins import margins
from controllers.analysis.nonlinearity import Nonlinearity, NotLinearError
from controllers.analysis.poles import nearest_poles
from sim.assembly.build import Built
from sim.foundations.errors import ScenarioError
from sim.foundations.ports import Array
from sim.studies.margins.loops import AXES, NO_STEPS, MarginsStudy, mirror_of
from sim.studies.margins.plant import delay_of, plant_of, stiffening_of
from sim.studies.margins.required import against_worst
from sim.studies.margins.spectra import proof_sizes
from sim.studies.margins.step_responses import step_responses

REJECTION_HZ: Final = (1.0, 10.0, 50.0)
"""Where the rejection is reported if nothing else is asked for. [Hz]"""
INTEGRAL_POINTS: Final = 4096
TURN: Final = 2 * np.pi
ASSUMPTIONS: Final = (
    "Small signals about the aims of the last connections: the cubic spring enters as the slope "
    "there. Steps of the DAC, slew limit, travel stops, lost spots and changes with temperature "
    "are left out.",
    "The estimator is taken as exact but for its noise: its reading moves as the spot does.",
    "One value a frame: what happens between exposures is not in the sensitivity, but it is in the "
    "steps. A resonance above half the frame rate is folded, exactly.",
    "An axis' margins are those of its own loop with the other axis' loop closed; Ms of both axes "
    "together (2 x 2) is the largest singular value of S.",
    "Delay margins are read from the phase at crossover, as if the added delay were e^(-j w tau).",
    "Gain, phase and delay margins change one thing at a time, in one axis.",
)


class NonlinearLawError(ScenarioError):
    """A controller without margins; `found` is what can be said of it instead, if anything.

    See `sim.studies.margins.sector`.
    """

    def __init__(self, message: str, found: Nonlinearity | None = None) -> None:
        super().__init__(message)
        self.found = found


def study(
    built: Built, rejection_hz: Sequence[float] = REJECTION_HZ, *, with_steps: bool = True
) -> MarginsStudy:
    """Work out the loops of a scenario.

    Parameters
    ----------
    built : Built
        From `sim.assembly.build.build`.
    rejection_hz : sequence of float
        Frequencies at which the rejection is wanted. [Hz]
    with_steps : bool
        Whether steps are followed in time; `steps` is empty otherwise.

    Returns
    -------
    MarginsStudy

    Raises
    ------
    NonlinearLawError
        If the controller is not linear in small signals: a ScenarioError that says what was seen.
    ScenarioError
        If a frequency is not inside the band.
    """
    nyquist_hz = 0.5 / built.parts.clock.frame_s
    for frequency in rejection_hz:
        if not 0 < frequency <= nyquist_hz:
            raise ScenarioError(
                f"--at: a frequency must be above 0 and at most half the frame rate, "
                f"{nyquist_hz:g} Hz (got {frequency:g})"
            )
    loop = Loop(linear_of(built), plant_of(built))
    closed = close(loop)
    grid = frequency_grid(loop)
    whole = sensitivity(loop_gain(loop, grid))
    gain = axis_gain(whole)
    midpoints = nyquist_hz * (np.arange(INTEGRAL_POINTS) + 0.5) / INTEGRAL_POINTS
    result = MarginsStudy(
        built=built,
        loop=loop,
        closed=closed,
        frequency_hz=grid,
        gain=gain,
        margins=margins(grid, gain),
        ms_2x2=largest_singular_value(whole).max(axis=0),
        noise_gain=noise_gain(closed),
        integral=np.log(own_sensitivity(loop, midpoints)).mean(axis=0),
        stable=growth(closed) < 1.0,
        to_fall=gain_to_fall(loop),
        rejection_hz=tuple(rejection_hz),
        rejection=own_sensitivity(loop, np.array(rejection_hz, dtype=float)),
        poles=nearest_poles(closed, loop.plant.frame_s),
        steps=NO_STEPS,
    )
    return replace(result, steps=step_responses(result)) if with_steps else result


def linear_of(built: Built) -> LinearController:
    """Return the controller of a scenario as matrices.

    Raises
    ------
    NonlinearLawError
        If it is not linear in small signals: a ScenarioError that says what was seen.
    """
    try:
        return linearise(built.parts.controller, len(built.parts.mirrors), proof_sizes(built))
    except NotLinearError as exc:
        raise NonlinearLawError(f"controller: {exc}", exc.found) from exc
    except ValueError as exc:
        raise ScenarioError(f"controller: {exc}") from exc


def own_sensitivity(loop: Loop, frequency_hz: Array) -> Array:
    """Return |S| (F, M, 2) of each axis, the other axis' loop closed. [-]"""
    whole = sensitivity(loop_gain(loop, frequency_hz))
    return np.stack([np.abs(whole[..., 0, 0]), np.abs(whole[..., 1, 1])], axis=-1)


def rows(result: MarginsStudy) -> list[dict[str, Any]]:
    """Return one row for each mirror and axis, as `margins.json` holds them.

    An unstable loop has no margins: its row says ``stable: false``, null, and by how much the gain
    of both axes must fall. ``plant`` says whether the spring is taken as it is at the last aim
    (`stiffened`) or at rest (`small-signal`); resonance, quality factor, gain and coupling are
    those of the plant that was used, and stand beside those at rest.

    Parameters
    ----------
    result : MarginsStudy
        From `study`.

    Returns
    -------
    list of dict
        Margins in dB and deg, delays in ms, frequencies in Hz, by the keys of `margins.json`.
    """
    m, model, poles, steps = result.margins, result.loop.plant, result.poles, result.steps
    population, delay_s = result.built.parts.population, delay_of(result.built)
    stiffer = stiffening_of(result.built)
    root = np.sqrt(stiffer)
    table = []
    for i, mirror in enumerate(result.built.parts.mirrors):
        stable = bool(result.stable[i])
        for a, axis in enumerate(AXES):

            def value(array: Array, ok: bool = stable, at: tuple[int, int] = (i, a)) -> Any:
                number = float(array[at]) if array.size else np.nan
                return number if ok and np.isfinite(number) else None

            table.append(
                {
                    "mirror": int(mirror),
                    "name": mirror_of(result.built, int(mirror)).removeprefix("mirror "),
                    "axis": axis,
                    "stable": stable,
                    "gain_must_fall_db": _fall_db(float(result.to_fall[i])),
                    "gain_margin_db": value(_db(m.gain)),
                    "gain_reduction_db": value(_db(m.gain_down)),
                    "phase_margin_deg": value(np.degrees(m.phase_rad)),
                    "delay_margin_ms": value(1e3 * m.delay_s),
                    "ms": value(m.ms),
                    "ms_hz": value(m.ms_hz),
                    "modulus_margin": value(1.0 / m.ms),
                    "ms_2x2": float(result.ms_2x2[i]) if stable else None,
                    "modulus_margin_2x2": float(1.0 / result.ms_2x2[i]) if stable else None,
                    "crossover_hz": value(m.crossover_hz),
                    "bandwidth_hz": value(m.bandwidth_hz),
                    "rejection_to_hz": value(m.rejection_to_hz),
                    "rejection_db": {
                        f"{frequency:g}": value(_db(result.rejection[k]))
                        for k, frequency in enumerate(result.rejection_hz)
                    },
                    "noise_gain": value(result.noise_gain),
                    "log_sensitivity_mean": value(result.integral),
                    "pole_radius": value(poles.radius, True),
                    "pole_hz": value(poles.frequency_hz, True),
                    "pole_damping": value(poles.damping, True),
                    "pole_decay_ms": value(1e3 * poles.decay_s, True),
                    "step_rise_ms": value(1e3 * steps.rise_s),
                    "step_overshoot_pct": value(100 * steps.overshoot),
                    "step_overshoot_read_pct": value(100 * steps.overshoot_read),
                    "step_settling_ms": value(1e3 * steps.settling_s),
                    "plant": "stiffened" if stiffer[i, a] != 1 else "small-signal",
                    "spring_slope": float(stiffer[i, a]),
                    "resonance_hz": float(root[i, a] * population.resonance_rad_s[i, a] / TURN),
                    "quality": float(root[i, a] * population.quality[i, a]),
                    "gain": float(model.mix[i, a, a]),
                    "cross_axis": float(model.mix[i, a, 1 - a]),
                    "delay_ms": float(1e3 * delay_s[i, a]),
                    "resonance_at_rest_hz": float(population.resonance_rad_s[i, a] / TURN),
                    "quality_at_rest": float(population.quality[i, a]),
                    "gain_at_rest": float(1.0 / population.calibration_ratio[i, a]),
                }
            )
    return table


def _fall_db(factor: float) -> float | None:
    """Return by how much the gain of an unstable loop must fall; None where that is not known."""
    return float(-20.0 * np.log10(factor)) if np.isfinite(factor) else None


def _db(factor: Array) -> Array:
    return 20.0 * np.log10(np.maximum(factor, 1e-300))


WORST_OF: Final = {
    "gain_margin_db": min,
    "phase_margin_deg": min,
    "delay_margin_ms": min,
    "ms": max,
    "ms_2x2": max,
    "bandwidth_hz": min,
    "noise_gain": max,
    "pole_radius": max,
    "step_overshoot_pct": max,
    "step_settling_ms": max,
}
"""Which end of each figure is the worst."""


def worst_figures(table: Sequence[dict[str, Any]]) -> dict[str, dict[str, Any] | None]:
    """Return the worst value of each figure with its mirror and axis; None if no loop has one."""
    worst: dict[str, dict[str, Any] | None] = {}
    for key, choose in WORST_OF.items():
        having = [row for row in table if row[key] is not None]
        if not having:
            worst[key] = None
            continue
        limit = choose(row[key] for row in having)
        row = next(row for row in having if row[key] == limit)
        worst[key] = {"value": limit} | {k: row[k] for k in ("mirror", "name", "axis")}
    return worst


def margins_summary(result: MarginsStudy) -> dict[str, Any]:
    """Return what `summary.json` holds: counts, and the worst cases by name."""
    table = rows(result)
    return {
        "loops": len(table),
        "gain_must_fall_db": max(
            (r["gain_must_fall_db"] for r in table if r["gain_must_fall_db"] is not None),
            default=None,
        ),
        "unstable": [r["name"] for r in table if not r["stable"] and r["axis"] == "x"],
        "worst": worst_figures(table),
        "requirements": [
            row._asdict()
            for row in against_worst(result.built.resolved.requirements, worst_figures(table))
        ],
    }
