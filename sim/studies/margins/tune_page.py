"""What the tuning files beside its table: a scenario that runs, and a page."""

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
import tomli_w

from sim.assembly.build import Built
from sim.foundations.files.text import counted
from sim.report.drawing import Picture
from sim.report.study_page import Section, StudyPage, Table
from sim.report.trade_plot import trade
from sim.report.tuning_plots import (
    ComparedCurves,
    Panel,
    against_gain,
    settling_spread,
    tuning_choices,
)
from sim.results.units import number
from sim.scenario.portable import portable_toml
from sim.studies.margins.candidate import Candidate
from sim.studies.margins.demands import DEMANDED
from sim.studies.margins.holds import settings_words, small
from sim.studies.margins.search import AXES, FINEST
from sim.studies.margins.shapes import shaping_words
from sim.studies.margins.tune import MOST_SLACK, SLACKS, TuningResult
from sim.studies.margins.tune_curves import curves_of
from sim.studies.margins.tune_results import plain_settings
from sim.studies.margins.verify import Verified
from sim.studies.margins.worst import SURE

ASSUMPTIONS = (
    "Margins and predicted residual are those of the linear loops; see the notes of `margins` and "
    "`predict` in docs/loops.md.",
    "Loss is the second-order excess loss of both mirrors' variances, contributors taken as "
    "independent, plus what is left in the hold interval of the error that calibration and "
    "coupling make of the last command.",
    "Settling is that of the last command's shaped path on each true mirror, its ringing, "
    "calibration and cross-axis errors and the loop's corrections included, those from before the "
    "command too; the residual takes its largest value in a dwell away from the tolerance. The "
    "slowest mirror is the median of what the noise makes of the slowest. Slew limit, travel "
    "stops, steps of the DAC, lost spots and what drift does while the mirrors move are left out. "
    "The simulation has all of it.",
    "The objective counts all light as lost while a connection settles, which is more than is.",
    "A search over a range finds the best point that it looked at; it proves no global optimum.",
)
ASSUMED = (
    "Over [uncertainty], noise, disturbance and loss are those of the described switch; changes "
    "are the same for all mirrors. Settling there is looked at for the mirrors that are the "
    f"slowest as described only. Margins are kept by {100 * SLACKS[MOST_SLACK]:.1g} % more than "
    "demanded while searching, since every look draws other points; with the search's smallest "
    f"step (1/{1 / FINEST:.0f} of a setting's range) the choice may stop that much short of a "
    "demand."
)


def fragment(outcome: TuningResult, words: str) -> str:
    """Return a scenario that runs the chosen gains, built upon scenario.toml beside it."""
    d = outcome.demands
    robust = outcome.robust.words if outcome.robust else ""
    lines = (d.objective, d.settling_words, outcome.why, robust, words)
    notes = "".join(f"# {line}\n" for line in lines if line)
    tree: dict[str, Any] = {
        "base": "scenario.toml",
        "controller": plain_settings(outcome.chosen.settings),
    }
    if outcome.shapings:
        tree["shaping"] = plain_settings(outcome.chosen.shaping)
    return f"# Chosen gains. {outcome_words(outcome)}\n{notes}{tomli_w.dumps(tree)}"


def outcome_words(outcome: TuningResult) -> str:
    """Return the chosen gains in words."""
    c = outcome.chosen
    shaped = f", shaping {shaping_words(c.shaping)}" if outcome.shapings else ""
    return f"{c.settings['kind']}: {settings_words(c.settings)}{shaped}"


def tune_page(built: Built, outcome: TuningResult, check: Verified) -> StudyPage:
    """Return the page."""
    named = {"chosen": outcome.chosen, "scenario's own": outcome.present}
    if outcome.common is not None:
        named["same for both axes"] = outcome.common
    named |= outcome.rules
    d = outcome.demands
    robust = outcome.robust.words if outcome.robust else ""
    texts = [d.objective, d.settling_words, outcome.why, robust, check.words]
    if outcome.shapings:
        texts.append(
            "The scenario's own gains and those of rules stand with the scenario's own shaping, "
            f"{shaping_words(outcome.present.shaping)}; the chosen ones with "
            f"{shaping_words(outcome.chosen.shaping)}."
        )
    sections = [
        Section(
            "Chosen gains",
            [text for text in texts if text],
            [
                *_compared(named, outcome), *([_held(outcome)] if outcome.holds else []),
                *_switches(outcome),
            ],
        ),
        Section("Against gain", pictures=[_gain_picture(outcome)]),
        Section("Present and chosen", pictures=_side_pictures(outcome)),
        *_shaping_section(outcome),
        _mirror_section(outcome),
        *_trade_section(outcome, named),
    ]  # fmt: skip
    settling = "" if d.settling_ms is None else f", settling within {d.settling_ms:g} ms"
    good = check.agrees and all(row["met"] for row in check.limits) and outcome.chosen.meets
    switches = ", over all of [uncertainty]" if outcome.robust else ""
    return StudyPage(
        title=f"Tuning: {built.resolved.title}",
        question=(
            "Which gains lose the least light, time spent settling counted, with Ms at most "
            f"{d.ms:g}, gain margin at least {d.gain_margin_db:g} dB, phase margin at least "
            f"{d.phase_margin_deg:g} deg{settling} for every one of "
            f"{counted(len(built.parts.mirrors), 'mirror')}{switches}?"
        ),
        verdict=f"{outcome_words(outcome)}. {check.words}",
        good=good,
        sections=sections,
        notes=[*built.warnings, *ASSUMPTIONS, *([SURE, ASSUMED] if outcome.robust else [])],
        scenario_toml=portable_toml(built.resolved),
    )


def _cell(value: float, digits: int = 3, factor: float = 1.0) -> str:
    return number(factor * value, "", digits) if math.isfinite(value) else "none"


def _compared(named: dict[str, Candidate], outcome: TuningResult) -> list[Table]:
    keys = [k for k, v in outcome.chosen.settings.items() if settings_words({k: v})]
    rows = [(name, [_value(c, k) for k in keys], c) for name, c in named.items()]
    return [
        Table(
            "Predicted margins and settling, with the worst mirror",
            ["Gains", *keys, "Ms", "Gain margin [dB]", "Phase margin [deg]", "Settling [ms]",
             "Demands"],
            [[name, *values, *_margins_of(c)] for name, values, c in rows],
        ),
        Table(
            "Predicted error, loss and cost",
            ["Gains", *keys, "Noise [urad]", "Disturbance [urad]", "Loss [dB]",
             "Settling, mean [ms]", "Cost [dB]"],
            [[name, *values, *_costs_of(c, outcome)] for name, values, c in rows],
        ),
    ]  # fmt: skip


def _margins_of(c: Candidate) -> list[str]:
    if not c.stable:
        return ["unstable", "", "", "", "missed"]
    return [
        f"{_cell(c.ms)} ({c.ms_mirror})", f"{_cell(c.gain_margin_db)} ({c.gain_mirror})",
        f"{_cell(c.phase_margin_deg)} ({c.phase_mirror})",
        f"{_cell(c.settling_ms)} ({c.settling_mirror})", "kept" if c.meets else "missed",
    ]  # fmt: skip


def _costs_of(c: Candidate, outcome: TuningResult) -> list[str]:
    if not c.stable:
        return ["unstable", "", "", "", ""]
    return [
        _cell(c.noise_rad, 3, 1e6), _cell(c.disturbed_rad, 3, 1e6), _cell(c.loss_db),
        _cell(c.mean_settling_ms), _cell(outcome.demands.cost_db(c)),
    ]  # fmt: skip


def _value(c: Candidate, key: str) -> str:
    text = settings_words({key: c.settings[key]}) if key in c.settings else ""
    return text.removeprefix(f"{key} = ")


def _held(outcome: TuningResult) -> Table:
    """What would be chosen without each demand that holds the choice."""
    keys = [k for k, v in outcome.chosen.settings.items() if settings_words({k: v})]
    return Table(
        "What would be chosen without a demand that holds the choice",
        ["Without the demand on", *keys, "Ms, worst", "Gain margin, worst [dB]",
         "Phase margin, worst [deg]", "Settling, slowest [ms]", "Loss [dB]", "Cost less by [dB]"],
        [
            [" and ".join(DEMANDED[n][0] for n in hold.demands),
             *(_value(hold.without, k) for k in keys), _cell(hold.without.ms),
             _cell(hold.without.gain_margin_db), _cell(hold.without.phase_margin_deg),
             _cell(hold.without.settling_ms), _cell(hold.without.loss_db), small(hold.gain_db)]
            for hold in outcome.holds
        ],
    )  # fmt: skip


def _switches(outcome: TuningResult) -> list[Table]:
    if outcome.robust is None or not outcome.robust.taken:
        return []
    return [
        Table(
            "Switches of [uncertainty] that the search was given, each the worst of a look",
            ["Switch", "Differs by"],
            [[f"switch {i + 1}", words] for i, words in enumerate(outcome.robust.taken)],
        )
    ]


def _first_value(c: Candidate, name: str) -> float:
    """Return a candidate's first varied setting; of a pair, the axis that is named, or the mean."""
    key, dot, axis = name.rpartition(".")
    value = c.settings[key if dot else name]
    if isinstance(value, list | tuple):
        return float(value[AXES.index(axis)] if dot else np.mean(value))
    return float(value)


def _gain_picture(outcome: TuningResult) -> Picture:
    name, d = outcome.names[0], outcome.demands
    curve = outcome.curve
    gains = np.array([_first_value(c, name) for c in curve])

    def panel(label: str, figure: str, demand: float | None, most: float) -> Panel:
        values = np.array([getattr(c, figure) if c.stable else np.nan for c in curve])
        values = np.where(np.isfinite(values), values, np.nan)
        return Panel(label, values, demand, most)

    chosen = outcome.chosen
    slowest = max(d.settling_ms or 0.0, chosen.settling_ms)
    panels = [
        panel("Ms", "ms", d.ms, 2.0 * d.ms),
        panel("gain margin [dB]", "gain_margin_db", d.gain_margin_db, np.inf),
        panel("settling [ms]", "settling_ms", d.settling_ms, 4.0 * slowest),
        panel("loss [dB]", "loss_db", None, np.inf),
    ]
    named = {"chosen": chosen, "scenario's own": outcome.present, **outcome.rules}
    marks = [
        (words, _first_value(c, name)) for words, c in named.items()
        if gains.min() <= _first_value(c, name) <= gains.max()
    ]  # fmt: skip
    return against_gain(name.removesuffix(".x"), gains, panels, marks)


def _side_pictures(outcome: TuningResult) -> list[Picture]:
    sets = []
    for name, c in (("chosen", outcome.chosen), ("scenario's own", outcome.present)):
        curves = curves_of(outcome.judge, name, c)
        if curves is not None:
            sets.append(curves)
    compared = [
        ComparedCurves(
            c.name, (c.frequency_hz, c.sensitivity[:, 0]), (c.time_ms, c.step),
            (c.band_hz, c.cumulative_urad), (c.time_ms, c.correction_v),
        )
        for c in sets
    ]  # fmt: skip
    pictures = [tuning_choices(compared)]
    if outcome.judge.built.parts.epochs[-1].commanded:
        spread = [(c.name, c.settling_ms) for c in sets]
        pictures.append(settling_spread(spread, outcome.demands.settling_ms))
    return pictures


def _shaping_section(outcome: TuningResult) -> Sequence[Section]:
    """Shapings that were tried; or what others would do where ringing alone is the matter."""
    if not outcome.shapings:
        return []
    rows = []
    for shaped in outcome.shapings:
        c = shaped.candidate
        name = shaping_words(shaped.shaping)
        if c is None:
            rows.append([name, _cell(shaped.ringing_ms), "none keeps the demands", "", "", ""])
            continue
        rows.append(
            [name, _cell(shaped.ringing_ms), settings_words(c.settings, list(outcome.names)),
             _cell(c.settling_ms), _cell(c.mean_settling_ms),
             _cell(outcome.demands.cost_db(c))]
        )  # fmt: skip
    table = Table(
        "Best of a coarse scan of the gains with each shaping, the scenario's own first",
        ["Shaping", "Path and ringing alone, slowest [ms]", "Gains", "Settling, slowest [ms]",
         "Settling, mean [ms]", "Cost [dB]"],
        rows,
    )  # fmt: skip
    return [Section("Command shaping", tables=[table])]


def _mirror_section(outcome: TuningResult) -> Section:
    rows = [
        [row.mirror, _cell(1e3 * row.loss_db), _cell(row.settling_ms), _cell(row.ms),
         settings_words(row.settings, list(outcome.names)), _cell(1e3 * row.loss_alone_db),
         _cell(row.settling_alone_ms), _cell(row.ms_alone)]
        for row in outcome.costliest
    ]  # fmt: skip
    return Section(
        "Mirrors that cost the most",
        [
            "Each under the chosen gains, and under the best for it alone, the demands on it kept, "
            f"searched for from the best of all tried, each setting to 1/{round(1 / FINEST)} of "
            "its range. The shipped controllers give all mirrors the same gains: this says what "
            "others would be worth."
        ],
        [
            Table(
                "Loss is what the mirror adds to its own connection",
                ["Mirror", "Loss [mdB]", "Settling [ms]", "Ms", "Gains of its own",
                 "Loss then [mdB]", "Settling then [ms]", "Ms then"],
                rows,
            )
        ],
    )  # fmt: skip


def _trade_section(outcome: TuningResult, named: dict[str, Candidate]) -> Sequence[Section]:
    stable = [c for c in outcome.tried if c.stable]
    points = 1e6 * np.array([[c.disturbed_rad, c.noise_rad] for c in stable])
    if not (points > 0).all():
        return []
    marked = [
        (name, 1e6 * c.disturbed_rad, 1e6 * c.noise_rad) for name, c in named.items() if c.stable
    ]
    picture = trade(points, np.array([c.meets for c in stable]), marked)
    return [Section("Trade", pictures=[picture])]
