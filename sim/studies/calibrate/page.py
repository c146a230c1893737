"""The page of a calibration."""

from collections.abc import Callable
from typing import Final

from sim.files.text import counted
from sim.report.study_page import Section, StudyPage, Table
from sim.results.coupling import DARK_DB
from sim.scenario.model import Scenario
from sim.scenario.portable import portable_toml
from sim.studies.calibrate.confusion import Confused
from sim.studies.calibrate.cost import CALIBRATED, EXACT, SHEET, Costs, Outcome
from sim.studies.calibrate.plots import costs_picture, errors_picture, transfer_picture
from sim.studies.calibrate.study import Calibrated
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
LOSS_DECIMALS: Final = 4
COUNTED: Final = {
    "shared": "frames with a neighbour's spot in the window",
    "passed": "wrong readings that passed as good",
    "caught": "wrong readings that were caught",
    "false_alarms": "good readings taken for another mirror's",
}


def verdict_of(found: Calibrated, cost: Costs | None) -> tuple[str, bool]:
    """Return what it comes to in one or two sentences, and whether that is good."""
    known = [each for each in found.estimates if each.holds is not None]
    held = sum(bool(each.holds) for each in known)
    seconds = sum(each.seconds for each in found.times)
    text = (
        f"{held} of {len(known)} intervals of 95 % hold the truth; {seconds:.1f} s of frames and "
        "waits."
    )
    if cost is None:
        return text, held >= 0.8 * len(known)
    now, best, poor = (cost.whole[name] for name in (CALIBRATED, EXACT, SHEET))
    text += (
        f" Calibrated: {_settled(now)}, {_db(now.excess_max_db)} of misalignment loss at most; "
        f"with everything known exactly {_settled(best)}, {_db(best.excess_max_db)}; with data "
        f"sheets alone {_settled(poor)}."
    )
    part = max(cost.left, key=lambda name: cost.cost(name).excess_mean_db or 0.0)
    text += f" Most of what is left comes from: {part}."
    good = now.unsettled == best.unsettled and held >= 0.8 * len(known)
    return text, good


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
    scenario: Scenario, found: Calibrated, cost: Costs | None, confused: Confused | None
) -> StudyPage:
    """Return the page."""
    verdict, good = verdict_of(found, cost)
    sections = []
    if cost is not None:
        sections.append(
            Section(
                "What errors cost in the loop",
                ["A difference below the scatter from seed to seed is still real: noise and "
                 "mirrors are the same in all runs. Where nothing of an estimator reads a number, "
                 "its error costs nothing."],
                [_whole_table(cost), *_cost_tables(cost)], [costs_picture(cost)],
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


def number(value: float | None, digits: int = 4) -> str:
    """Return a number as text; a dash where there is none."""
    return "–" if value is None else f"{value:.{digits}g}"


def _whole_table(cost: Costs) -> Table:
    head = ["Believed", "Settling p95 [ms]", "Settling max [ms]", "Never settled",
            "Bias [µrad]", "Rms [µrad]", "Loss, mean [dB]", "Loss, largest [dB]",
            "Lost frames"]  # fmt: skip
    rows = [
        [name, number(o.settling_p95_ms), number(o.settling_max_ms), str(o.unsettled),
         number(o.bias_urad), number(o.rms_urad), loss(o.excess_mean_db), loss(o.excess_max_db),
         str(o.lost_frames)]
        for name, o in cost.whole.items()
    ]  # fmt: skip
    return Table("The loop, by what it believes; losses are misalignment losses", head, rows)


def _cost_tables(cost: Costs) -> list[Table]:
    head = ["Part", "Settling max [ms]", "Never settled", "Bias [µrad]", "Loss, mean [dB]",
            "Loss, largest [dB]"]  # fmt: skip

    def rows(of: Callable[[str], Outcome]) -> list[list[str]]:
        return [
            [part, _more(o.settling_max_ms, 2), f"{o.unsettled:+d}", _more(o.bias_urad, 2),
             _more(o.excess_mean_db, 4), _more(o.excess_max_db, 4)]
            for part, o in ((part, of(part)) for part in cost.left)
        ]  # fmt: skip

    return [
        Table("What the error costs that each part leaves: more than with everything known exactly",
              head, rows(cost.cost)),
        Table("What doing without a part costs: more than as calibrated", head, rows(cost.worth)),
    ]  # fmt: skip


def loss(value: float | None) -> str:
    """Return a loss as text; what is dark has no figure worth reading."""
    if value is None:
        return "–"
    return f"dark (above {DARK_DB:g})" if value > DARK_DB else f"{value:.4f}"


def _more(value: float | None, decimals: int) -> str:
    if value is None:
        return "–"
    if value > DARK_DB and decimals == LOSS_DECIMALS:
        return "dark"
    return f"{value + 0.0:+.{decimals}f}"


def _estimates(found: Calibrated) -> Table:
    head = ["Procedure: quantity", "Estimate", "95 % interval", "Truth of the simulation",
            "Holds it"]  # fmt: skip
    rows = []
    for each in found.estimates:
        unit = f" {each.unit}" if each.unit else ""
        span = "–" if each.low is None else f"{each.low:.6g} to {each.high:.6g}"
        holds = {None: "–", True: "yes", False: "no"}[each.holds]
        rows.append(
            [f"{each.procedure}: {each.quantity}", f"{each.value:.6g}{unit}", span,
             f"{each.truth:.6g}", holds]
        )  # fmt: skip
    return Table(
        "Errors of whole maps and tables are foreseen from noise, and compared with what they are",
        head, rows,
    )  # fmt: skip


def _times(found: Calibrated) -> Table:
    rows = [
        [each.procedure, str(each.frames), str(each.waits), f"{each.seconds:.2f}"]
        for each in found.times
    ]
    total = sum(each.seconds for each in found.times)
    rows.append(["all", str(sum(each.frames for each in found.times)),
                 str(sum(each.waits for each in found.times)), f"{total:.2f}"])  # fmt: skip
    return Table("Frames and waits", ["Procedure", "Frames", "Waits", "Time [s]"], rows)


def _confused_section(found: Confused) -> Section:
    head = ["Guard", "What", "Rate [1e-6 of all readings]", "95 % interval", "Seeds with some"]
    rows = [
        [name, COUNTED[what], number(r.mean_ppm), f"{number(r.low_ppm)} to {number(r.high_ppm)}",
         f"{r.seeds_with} of {found.seeds}"]
        for name, rates in found.rates.items() for what, r in rates.items()
    ]  # fmt: skip
    lost = ", ".join(f"{count} {name} a guard" for name, count in found.unsettled.items())
    return Section(
        "Readings of another mirror's spot",
        [f"{counted(found.seeds, 'run')} over seeds of connections and noise, "
         f"{counted(found.readings, 'reading')} "
         "each; the interval is Student's over runs, since frames of one run hang together. "
         f"Mirrors that never settled, over all runs: {lost}."],
        [Table("A reading is wrong if it is more than 1 px from its own spot while a neighbour's "
               "spot is in the window", head, rows)],
    )  # fmt: skip
