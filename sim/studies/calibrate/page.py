"""The page of a calibration."""

from typing import Final

from sim.calibration.procedure import Estimate
from sim.foundations.files.text import counted
from sim.report.study_page import Section, StudyPage, Table
from sim.results.connection_losses import DARK_DB
from sim.results.limits import LimitsParams
from sim.results.units import number_beside
from sim.scenario.model import Scenario
from sim.scenario.portable import portable_toml
from sim.studies.calibrate.confusion import WITH, WITHOUT, Confused, Rate, none_seen_pct
from sim.studies.calibrate.cost import CALIBRATED, EXACT, SHEET, Costs, Outcome
from sim.studies.calibrate.plots import costs_picture, errors_picture, transfer_picture
from sim.studies.calibrate.study import SimulatedCalibration
from sim.studies.run.provenance import switch_words

ASSUMPTIONS: Final = (
    "The switch is at rest at the reference temperature; no disturbance acts during a procedure. "
    "Both cameras, and all mirrors of a staircase, are worked on at the same time.",
    "Time is that of frames and waits. Mounting a plate, moving a lamp and handling data are not "
    "in it.",
    "Even light is perfectly even, the lamp does not flicker, and the plate has no error but its "
    "scale. The optical axis meets the sensor in its middle, and is known to.",
    "The staircase is read once the ringing has fallen to a thousandth of a step; creep and drift "
    "are not in it. The stiffening of the springs is taken as known.",
    "Feed-forward of the commanded path makes up for the cross-axis table; corrections of the loop "
    "do not.",
)
LEAST_DB: Final = 1e-4
"""A part whose error costs less is not named as what most of the loss comes from. [dB]"""
LEAST_HELD: Final = 0.8
"""Share of the intervals that have to hold the truth; 95 % are to be expected. [-]"""
LARGER: Final = 1.5
"""Times what was foreseen beyond which the error of a map or table is named. [-]"""
GUARDED: Final = ("caught", "false_alarms")
"""What only a guard can do."""


def verdict_of(
    found: SimulatedCalibration, cost: Costs | None, confused: Confused | None = None,
    limits: LimitsParams | None = None,
) -> tuple[str, bool]:  # fmt: skip
    """Return what it comes to in a few sentences, and whether that is good.

    Of the limits of a scenario those of settling and of misalignment loss are judged, with what was
    calibrated; others are not.
    """
    known = [each for each in found.estimates if each.holds is not None]
    held = sum(bool(each.holds) for each in known)
    seconds = sum(each.seconds for each in found.times)
    text = (
        f"{held} of {counted(len(known), 'interval')} of 95 % hold the truth; {seconds:.1f} s of "
        "frames and waits."
    )
    good = held >= LEAST_HELD * len(known)
    large = [_beyond(each) for each in found.estimates if is_larger(each)]
    if large:
        text += f" Larger than foreseen: {'; '.join(large)}."
    if cost is not None:
        now, best, poor = (cost.whole[name] for name in (CALIBRATED, EXACT, SHEET))
        judged = limits_of(now, limits)
        if judged:
            text = f"{'; '.join(words for words, _ in judged)}; {text}"
        text += (
            f" Calibrated: {_settled(now)}, {_db(now.excess_max_db)} of misalignment loss at most; "
            f"with everything known exactly {_settled(best)}, {_db(best.excess_max_db)}; with data "
            f"sheets alone {_settled(poor)}."
        )
        if best.unsettled:
            text += " No calibration makes up for those that never settle with all known exactly."
        text += _left_words(cost)
        good = good and now.unsettled == best.unsettled and all(met for _, met in judged)
    text = f"{'Met' if good else 'Missed'}: {text}"
    if confused is not None:
        name = WITH if WITH in confused.rates else WITHOUT
        words = {WITH: "the guard", WITHOUT: "no guard"}[name]
        text += (
            f" Wrong readings that pass as good with {words}, of all: "
            f"{rate_words(confused.rates[name]['passed'], confused.seeds)}."
        )
    return text, good


def limits_of(now: Outcome, limits: LimitsParams | None) -> list[tuple[str, bool]]:
    """Return what the loop as calibrated has of each limit that is judged, and whether it is met.

    The most used limit is first.
    """
    rows: list[tuple[float, str, bool]] = []
    for words, value, limit, unit in (
        ("slowest settling", None if now.unsettled else now.settling_max_ms,
         None if limits is None else limits.settling_max_ms, "ms"),
        ("largest misalignment loss", now.excess_max_db,
         None if limits is None else limits.excess_max_db, "dB"),
    ):  # fmt: skip
        if limit is None:
            continue
        if value is None:
            rows.append((float("inf"), f"{words}: no figure, limit {limit:g} {unit}", False))
            continue
        shown = number_beside(value, limit, unit).removesuffix(f" {unit}")
        used = value / limit if limit else float("inf")
        rows.append((used, f"{words} {shown} of {limit:g} {unit}", value <= limit))
    return [(words, met) for _, words, met in sorted(rows, key=lambda row: -row[0])]


def is_larger(each: Estimate) -> bool:
    """Return whether the error of a whole map or table is well above what was foreseen."""
    return each.low is None and bool(each.unit) and each.truth > LARGER * each.value > 0


def _beyond(each: Estimate) -> str:
    return f"{each.quantity}, {each.truth:.3g} instead of {each.value:.3g} {each.unit}"


def _left_words(cost: Costs) -> str:
    """Say which part most of the loss that is left comes from, on the mean and at most."""
    parts = []
    for key in ("excess_mean_db", "excess_max_db"):
        part = max(cost.left, key=lambda name: getattr(cost.cost(name), key) or 0.0)
        loss_db = getattr(cost.cost(part), key) or 0.0
        parts.append(part if loss_db >= LEAST_DB else None)
    mean, largest = parts
    if mean is None and largest is None:
        return ""
    if mean == largest:
        return f" Most of the loss that is left comes from: {mean}."
    words = [f"of the {name} loss: {part}" for name, part in
             (("mean", mean), ("largest", largest)) if part is not None]  # fmt: skip
    return f" Where most of what is left comes from, {'; '.join(words)}."


def _settled(outcome: Outcome) -> str:
    if outcome.unsettled:
        return f"{counted(outcome.unsettled, 'mirror')} never settled"
    if outcome.settling_max_ms is None:
        return "nothing moves"
    return f"slowest settling {outcome.settling_max_ms:.2f} ms"


def _db(value: float | None) -> str:
    if value is None:
        return "no figure"
    return f"more than {DARK_DB:g} dB (dark)" if value > DARK_DB else f"{value:.3f} dB"


def page_of(
    scenario: Scenario, found: SimulatedCalibration, cost: Costs | None, confused: Confused | None
) -> StudyPage:
    """Return the page."""
    verdict, good = verdict_of(found, cost, confused, scenario.limits)
    sections = []
    if cost is not None:
        sections.append(
            Section(
                "What errors cost in the loop",
                ["A difference below the scatter from seed to seed is still real: noise and "
                 "mirrors are the same in all runs. Where nothing of an estimator reads a number, "
                 "its error costs nothing."],
                [_whole_table(cost), *_cost_tables(cost)], [costs_picture(cost, scenario.limits)],
            )
        )  # fmt: skip
    if confused is not None:
        sections.append(_confused_section(confused))
    sections += [
        Section("What each procedure found", (), [_estimates(found)], [errors_picture(found)]),
        Section("Photon transfer", (), (), [transfer_picture(found)]),
        Section("Time", (), [_times(found)]),
    ]
    return StudyPage(
        title=f"Calibration: {scenario.title}", question=scenario.question.strip(),
        verdict=verdict, good=good, sections=sections,
        notes=(*found.notes, *ASSUMPTIONS), scenario_toml=portable_toml(scenario),
        strip=[("switch", switch_words(scenario)),
               ("camera map by", found.settings.camera_by)],
    )  # fmt: skip


def number_or_dash(value: float | None, digits: int = 4) -> str:
    """Return a number as text; a dash where there is none."""
    return "–" if value is None else f"{value:.{digits}g}"


def _whole_table(cost: Costs) -> Table:
    head = ["Believed", "Settling p95 [ms]", "Settling max [ms]", "Never settled",
            "Bias [µrad]", "Rms [µrad]", "Loss, mean [dB]", "Loss, largest [dB]",
            "Lost frames"]  # fmt: skip
    rows = [
        [name, _time(o.settling_p95_ms, o), _time(o.settling_max_ms, o), str(o.unsettled),
         number_or_dash(o.bias_urad), number_or_dash(o.rms_urad), loss(o.excess_mean_db),
         loss(o.excess_max_db), str(o.lost_frames)]
        for name, o in cost.whole.items()
    ]  # fmt: skip
    return Table(
        f"The loop, by what it believes; misalignment losses, dark: more than {DARK_DB:g} dB",
        head, rows,
    )  # fmt: skip


def _time(value: float | None, outcome: Outcome) -> str:
    """Return a settling time as text; one that does not end is not left blank."""
    return "never" if value is None and outcome.unsettled else number_or_dash(value)


def _cost_tables(cost: Costs) -> list[Table]:
    head = ["Part", "Settling max [ms]", "Never settled", "Bias [µrad]", "Loss, mean [dB]",
            "Loss, largest [dB]"]  # fmt: skip

    def rows(parts: dict[str, Outcome], than: Outcome) -> list[list[str]]:
        return [
            [part, "never" if o.settling_max_ms is None and o.unsettled
             else _more(o.settling_max_ms, than.settling_max_ms, 2),
             f"{o.unsettled - than.unsettled:+d}", _more(o.bias_urad, than.bias_urad, 2),
             _more_loss(o.excess_mean_db, than.excess_mean_db),
             _more_loss(o.excess_max_db, than.excess_max_db)]
            for part, o in parts.items()
        ]  # fmt: skip

    return [
        Table("What the error costs that each part leaves: more than with everything known exactly",
              head, rows(cost.left, cost.whole[EXACT])),
        Table("What doing without a part costs: more than as calibrated", head,
              rows(cost.without, cost.whole[CALIBRATED])),
    ]  # fmt: skip


def loss(value: float | None) -> str:
    """Return a loss as text; what is dark has no figure worth reading."""
    if value is None:
        return "–"
    return "dark" if value > DARK_DB else f"{value:.4f}"


def _more(value: float | None, than: float | None, decimals: int) -> str:
    if value is None or than is None:
        return "–"
    return f"{round(value - than, decimals) + 0.0:+.{decimals}f}"


def _more_loss(value: float | None, than: float | None) -> str:
    """Return the difference of two losses; between dark ones it says nothing."""
    if value is None or than is None:
        return "–"
    dark, was = value > DARK_DB, than > DARK_DB
    if dark and was:
        return "dark in both"
    return "dark" if dark else "no longer dark" if was else _more(value, than, 4)


def _estimates(found: SimulatedCalibration) -> Table:
    head = ["Procedure: quantity", "Estimate", "95 % interval", "Truth of the simulation",
            "Holds it"]  # fmt: skip
    rows = []
    for each in found.estimates:
        unit = f" {each.unit}" if each.unit else ""
        span = "–" if each.low is None else f"{each.low:.6g} to {each.high:.6g}"
        holds = {None: "–", True: "yes", False: "no"}[each.holds]
        if is_larger(each):
            holds = f"{each.truth / each.value:.1f} times it"
        rows.append(
            [f"{each.procedure}: {each.quantity}",
             f"{each.value:.6g}{unit}" if each.low is not None else f"{each.value:.4g}{unit}", span,
             f"{each.truth:.6g}" if each.low is not None else f"{each.truth:.4g}", holds]
        )  # fmt: skip
    return Table(
        "Errors of whole maps and tables are foreseen from noise, and compared with what they are",
        head, rows,
    )  # fmt: skip


def _times(found: SimulatedCalibration) -> Table:
    rows = [
        [each.procedure, str(each.frames), str(each.waits), f"{each.seconds:.2f}"]
        for each in found.times
    ]
    total = sum(each.seconds for each in found.times)
    rows.append(["all", str(sum(each.frames for each in found.times)),
                 str(sum(each.waits for each in found.times)), f"{total:.2f}"])  # fmt: skip
    return Table("Frames and waits", ["Procedure", "Frames", "Waits", "Time [s]"], rows)


def rate_words(rate: Rate, seeds: int) -> str:
    """Return a rate in per cent of all readings, with its interval of 95 %."""
    if rate.low_ppm is None or rate.high_ppm is None:
        return f"none in {counted(seeds, 'run')}"
    mean, low, high = (f"{1e-4 * v:.3g}" for v in (rate.mean_ppm, rate.low_ppm, rate.high_ppm))
    return f"{mean} % ({low} to {high})"


def _confused_section(found: Confused) -> Section:
    head = ["Guard", "A neighbour's spot in the window", "Wrong, passed as good", "Wrong, caught",
            "Good, doubted: false alarm", "Mirrors that never settled"]  # fmt: skip
    rows = []
    for name, rates in found.rates.items():
        cells = [
            "–" if name == WITHOUT and what in GUARDED else rate_words(rate, found.seeds)
            for what, rate in rates.items()
        ]
        rows.append([name, *cells, str(found.unsettled[name])])
    texts = [
        f"{counted(found.seeds, 'run')} over seeds of connections and noise, "
        f"{counted(found.readings, 'reading')} each. A reading is wrong if it is more than "
        "1 px from its own spot while a neighbour's spot is in the window. Intervals are "
        "Student's over runs, since frames of one run hang together. None in "
        f"{counted(found.seeds, 'run')} leaves at most {none_seen_pct(found.seeds):.0f} % of such "
        "runs with one, at 95 %; more seeds lower that.",
        "A mirror that follows the wrong spot meets others, so guards change how often windows are "
        "shared. Rules by themselves show which one doubts good readings. Excess light is held "
        "against the light at calibration: a laser that has become brighter by as much since makes "
        "false alarms of all readings.",
    ]
    return Section(
        "Readings of another mirror's spot", texts,
        [Table("Share of all readings, with interval of 95 %", head, rows)],
    )  # fmt: skip
