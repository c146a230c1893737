"""The page of all connections: does the switch meet its limits, and what decides."""

from typing import Final

from sim.foundations.files.text import counted
from sim.report.study_page import Section, StudyPage, Table
from sim.results.units import number
from sim.scenario.portable import portable_toml
from sim.studies.connections import plots
from sim.studies.connections.late_page import late_section, named
from sim.studies.connections.study import ConnectionStudy
from sim.studies.connections.table import WORDS
from sim.studies.connections.traffic_page import traffic_section

LEVEL_WORDS: Final = {
    "dead_reckoning": "dead reckoning: drawing and nominal gain",
    "calibrated": "calibrated: a table measured before",
    "peaked": "peaked: a search on received power",
    "exact": "exact",
}
AIM_WORDS: Final = {
    "dead_reckoning": "aim by dead reckoning", "calibrated": "calibrated aim",
    "peaked": "peaked aim", "exact": "exact aim",
}  # fmt: skip
ASSUMPTIONS: Final = (
    "Fundamental Gaussian beams and fibre modes, paraxial; what couples is one integral over both "
    "mirrors' faces, what the two edges take away added (docs/optics.md says how good that is).",
    "Light scattered, light in the cladding and light reflected back are not in the insertion "
    "loss. Nothing stands in the beams' way; mirrors turn about the centre of their faces.",
    "Spreads are normal, cut off at three standard deviations, independent from part to part, "
    "and invented: they have not been measured on any hardware.",
)


def page_of(found: ConnectionStudy) -> StudyPage:
    """Return the page."""
    scenario, summary = found.scenario, found.summary
    budget = scenario.switch.budget
    limits = (
        {}
        if budget is None
        else {
            "acceptance limit": float(budget.acceptance_db),
            "end-of-life limit": float(budget.end_of_life_db),
        }
    )
    shape = (scenario.switch.geometry.ports_per_side, scenario.switch.geometry.outputs)
    sections = [
        Section("All connections", tables=[_summary(found)],
                pictures=[plots.distribution(found.table, limits)]),
        Section("Who loses most", [
            "Reasons are the two contributors that stand highest above their own mean."],
            [_worst(found)], [plots.maps(found.table, found.spare, shape)]),
        Section("What takes the light", pictures=[plots.bars(found.table),
                                                   plots.against(found.table)]),
    ]  # fmt: skip
    if found.band is not None:
        held = scenario.switch.band.held if scenario.switch.band else ""
        what = {
            "fibre": "The fibre's mode radius is held over the band, behind an ideal lens: waists "
            "go with the wavelength.",
            "waist": "The waists are held over the band.",
        }[held]
        sections.append(
            Section("Over the band", [
                f"{what} The worst connection at its worst wavelength loses "
                f"{number(found.band['worst_db'], 'dB')}; no connection changes by more than "
                f"{number(found.band['largest_change_db'], 'dB')} over the band."],
                pictures=[plots.over_band(
                    found.band, None if budget is None else float(budget.acceptance_db))],
            )
        )  # fmt: skip
    if found.late is not None:
        sections.append(late_section(found.late, found.end_of_life))
    if found.levels:
        sections.append(_aiming(found))
    traffic = traffic_section(found)
    if traffic is not None:
        sections.append(traffic)
    return StudyPage(
        title=f"Connections: {scenario.title}",
        question=scenario.question.strip(),
        verdict=found.verdict.text,
        good=found.verdict.good,
        sections=[s for s in sections if s is not None],
        notes=[
            f"{counted(summary['count'], 'connection')}, {counted(shape[0], 'input')} by "
            f"{counted(shape[1], 'output')}, of the "
            f"switch that the population's seed {scenario.seeds.population} makes.",
            *ASSUMPTIONS,
        ],
        scenario_toml=portable_toml(scenario),
    )


def _summary(found: ConnectionStudy) -> Table:
    s = found.summary
    rows = [
        ["mean", number(s["mean_db"], "dB")],
        ["median", number(s["median_db"], "dB")],
        ["99th percentile", number(s["p99_db"], "dB")],
        ["largest", number(s["max_db"], "dB")],
    ]
    if s["acceptance_db"] is not None:
        rows += [
            [f"over the acceptance limit, {s['acceptance_db']:g} dB", str(s["over_acceptance"])],
            [f"over the end-of-life limit, {s['end_of_life_db']:g} dB, when new",
             str(s["over_end_of_life"])],
        ]  # fmt: skip
    rows += [
        ["out of travel", str(s["out_of_travel"])],
        ["least travel left", f"{100 * s['least_spare_travel']:.1f} %"],
    ]
    rows += [[f"{WORDS[name]}, mean", number(v, "dB")] for name, v in found.contributors.items()]
    return Table(
        f"Insertion loss of {counted(s['count'], 'connection')} when new", ["Figure", "Value"], rows
    )


def _worst(found: ConnectionStudy) -> Table:
    return Table(
        "The connections that lose most",
        ["Connection", "Insertion loss [dB]", "Above the mean [dB]", "Reasons", "Travel left [%]"],
        [
            [named(w),
             f"{w['insertion_db']:.3f}",
             f"{w['over_mean_db']:.3f}", "; ".join(w["reasons"]) or "none stands out",
             f"{100 * w['spare_travel']:.1f}"]
            for w in found.worst
        ],
    )  # fmt: skip


def _aiming(found: ConnectionStudy) -> Section:
    levels = Table(
        f"Three ways to aim, on {counted(found.level_count, 'connection')}",
        ["Aiming", "Tilt error, rms [urad]", "Mean loss [dB]", "99 % [dB]", "Largest [dB]",
         "Dark (> 40 dB)", "Probes each", "Hours for the switch"],
        [
            [LEVEL_WORDS[row.level], number(row.figures["error_rms_urad"]), f"{row.mean_db:.3f}",
             f"{row.p99_db:.3f}", f"{row.max_db:.3f}", str(row.dark), str(row.figures["probes"]),
             number(row.figures["hours"])]
            for row in found.levels
        ],
    )  # fmt: skip
    table = Table(
        "A table for all from a few: what each port adds, fitted to measured connections",
        ["Connections measured a port", "Measured in all", "Error of the others, rms [urad]",
         "Largest [urad]"],
        [[str(c.per_port), str(c.measured), f"{c.error_rms_urad:.1f}", f"{c.error_max_urad:.0f}"]
         for c in found.calibrations],
    )  # fmt: skip
    return Section(
        f"Aiming: losses above are for {AIM_WORDS[found.aiming['level']]}",
        [
            "Hours are for measuring one connection after another, at the scenario's time of a "
            "probe. Peaking starts from the table: from the drawing alone most connections give "
            "too little light to search by.",
            "Few measured connections stand for all: to first order, what a connection needs "
            "beyond the drawing is a part that belongs to its input port, a part that belongs "
            "to its output port, and the gain of each mirror times its tilt. Each port is in many "
            "connections, so a few of each give the parts of all.",
            "The second table measures connections of this switch, each tilt with a scatter of "
            "8 urad, and holds the fit against the truth for connections that were not measured. "
            "The errors of the level “calibrated” are those that the scenario states.",
        ],
        [levels, table],
    )
