"""What the tuning files: a table for programs, a scenario that runs, and a page."""

import math
from typing import Any

import numpy as np
import tomli_w

from sim.assembly.build import Built, build
from sim.report.study_page import Section, StudyPage, Table
from sim.report.trade_plot import trade
from sim.results.units import number
from sim.scenario.portable import portable_toml
from sim.studies.margins.judge import Candidate
from sim.studies.margins.margins import study
from sim.studies.margins.margins_page import loop_sections
from sim.studies.margins.tune import TuningResult
from sim.studies.margins.verify import Verified

ASSUMPTIONS = (
    "Margins and predicted residual are those of the linear loops; see the notes of `margins` and "
    "`predict` in docs/loops.md.",
    "Loss is the second-order excess loss of both mirrors' variances, contributors taken as "
    "independent, plus what is left in the hold interval of the error that calibration and "
    "coupling make of the last command.",
    "Settling is that of the last command's shaped path on each true mirror, its ringing, "
    "calibration and cross-axis errors and the loop's corrections included; the residual takes the "
    "median of its largest value in a dwell away from the tolerance. Slew limit, steps of the DAC "
    "and what drift does while the mirrors move are left out. The simulation below has all of it.",
    "A search over a range finds the best point that it looked at; it proves no global optimum.",
)


def fragment(outcome: TuningResult, words: str) -> str:
    """Return a scenario that runs the chosen gains, built upon scenario.toml beside it."""
    notes = "".join(f"# {line}\n" for line in (outcome.why, words))
    tree = {"base": "scenario.toml", "controller": _plain(outcome.chosen.settings)}
    return f"# Chosen gains. {outcome_words(outcome)}\n{notes}{tomli_w.dumps(tree)}"


def outcome_words(outcome: TuningResult) -> str:
    """Return the chosen gains in words."""
    knobs = ", ".join(
        f"{key} = {value:.4g}"
        for key, value in outcome.chosen.settings.items()
        if isinstance(value, float)
    )
    return f'{outcome.chosen.settings["kind"]}: {knobs}'


def table_of(outcome: TuningResult, check: Verified) -> dict[str, Any]:
    """Return what `tune.json` holds."""
    return {
        "demands": outcome.demands._asdict(),
        "chosen": _row(outcome.chosen),
        "present": _row(outcome.present),
        "rules": {name: _row(c) for name, c in outcome.rules.items()},
        "why": outcome.why,
        "simulation": {
            "predicted_jitter_urad": check.predicted_urad,
            "jitter_urad": check.jitter_urad,
            "ratio": check.ratio,
            "predicted_settling_ms": check.settling_ms,
            "settling_agrees": check.settling_agrees,
            "agrees": check.agrees,
            "limits": check.limits,
            "pointing": check.figures["pointing"],
            "settling": check.figures["settling"],
            "coupling": check.figures["coupling"],
        },
        "tried": [_row(c) for c in outcome.tried],
    }


def _row(c: Candidate) -> dict[str, Any]:
    def figure(value: float, factor: float = 1.0) -> float | None:
        return factor * value if math.isfinite(value) else None

    return {
        "settings": _plain(c.settings),
        "stable": c.stable,
        "meets": c.meets,
        "ms": figure(c.ms),
        "ms_mirror": c.ms_mirror,
        "gain_margin_db": figure(c.gain_margin_db),
        "gain_margin_mirror": c.gain_mirror,
        "phase_margin_deg": figure(c.phase_margin_deg),
        "phase_margin_mirror": c.phase_mirror,
        "settling_ms": figure(c.settling_ms),
        "settling_mirror": c.settling_mirror,
        "ringing_ms": figure(c.ringing_ms),
        "ringing_mirror": c.ringing_mirror,
        "noise_urad": figure(c.noise_rad, 1e6),
        "disturbance_urad": figure(c.disturbed_rad, 1e6),
        "jitter_urad": figure(c.jitter_rad, 1e6),
        "loss_db": figure(c.loss_db),
    }


def _plain(settings: dict[str, Any]) -> dict[str, Any]:
    return {k: float(v) if isinstance(v, np.floating) else v for k, v in settings.items()}


def tune_page(built: Built, outcome: TuningResult, check: Verified) -> StudyPage:
    """Return the page."""
    named = {"chosen": outcome.chosen, "scenario's own": outcome.present, **outcome.rules}
    stable = [c for c in outcome.tried if c.stable]
    points = 1e6 * np.array([[c.disturbed_rad, c.noise_rad] for c in stable])
    sections = [
        Section("Chosen gains", [outcome.why, check.words], [_compared(named)]),
    ]
    if (points > 0).all():
        sections.append(
            Section(
                "Trade",
                pictures=[
                    trade(
                        points,
                        np.array([c.meets for c in stable]),
                        [(name, 1e6 * c.disturbed_rad, 1e6 * c.noise_rad)
                         for name, c in named.items() if c.stable],
                    )
                ],
            )
        )  # fmt: skip
    chosen = build(built.resolved.replace(controller=_plain(outcome.chosen.settings)))
    drawn = loop_sections(study(chosen, ()))
    sections += [s for s in drawn if s.heading in ("Bode", "Sensitivity")]
    d = outcome.demands
    settling = "" if d.settling_ms is None else f", settling within {d.settling_ms:g} ms"
    good = check.agrees and all(row["met"] for row in check.limits) and outcome.chosen.meets
    return StudyPage(
        title=f"Tuning: {built.resolved.title}",
        question=(
            f"Which gains lose the least light, with Ms at most {d.ms:g}, gain margin at least "
            f"{d.gain_margin_db:g} dB, phase margin at least {d.phase_margin_deg:g}°{settling} for "
            f"every one of {len(built.parts.mirrors)} mirrors?"
        ),
        verdict=f"{outcome_words(outcome)}. {check.words}",
        good=good,
        sections=sections,
        notes=[*built.warnings, *ASSUMPTIONS],
        scenario_toml=portable_toml(built.resolved),
    )


def _compared(named: dict[str, Candidate]) -> Table:
    def cell(value: float, digits: int = 3, factor: float = 1.0) -> str:
        return number(factor * value, "", digits) if math.isfinite(value) else "none"

    return Table(
        "Predicted, worst mirror where it says so",
        ["Gains", "Ms, worst", "Gain margin, worst [dB]",
         "Phase margin, worst [deg]", "Settling, worst [ms]", "Noise [urad]",
         "Disturbance [urad]", "Loss [dB]", "Demands"],
        [
            [name, f"{cell(c.ms)} ({c.ms_mirror})", f"{cell(c.gain_margin_db)} ({c.gain_mirror})",
             f"{cell(c.phase_margin_deg)} ({c.phase_mirror})",
             cell(c.settling_ms), cell(c.noise_rad, 3, 1e6), cell(c.disturbed_rad, 3, 1e6),
             cell(c.loss_db), "kept" if c.meets else "missed"]
            if c.stable
            else [name, "unstable", "", "", "", "", "", "", "missed"]
            for name, c in named.items()
        ],
    )  # fmt: skip
