"""The command `mirrorloop margins`."""

from typing import TYPE_CHECKING

import click

from sim.cli.guard import showing
from sim.cli.naming import naming
from sim.cli.screen import say
from sim.foundations.errors import MISSED
from sim.foundations.files.text import counted, shown

if TYPE_CHECKING:
    from sim.studies.margins.sector import SectorStudy


@click.command()
@click.argument("scenario")
@click.option("--out", "out", required=True, metavar="DIR", help="Folder for the results.")
@click.option(
    "--set", "overrides", multiple=True, metavar="PATH=VALUE",
    help="Change a value of the scenario, as for `run`; may be repeated.",
)  # fmt: skip
@click.option(
    "--at", "at", multiple=True, type=float, metavar="HZ",
    help="Report the rejection at this frequency; may be repeated. Default: 1, 10 and 50 Hz.",
)  # fmt: skip
@click.option(
    "--loop", "loops", multiple=True, metavar="MIRROR",
    help="Put L, S, T and steps of this mirror, such as B57, into the CSV tables too; may be "
    "repeated.",
)  # fmt: skip
@click.option("--overwrite", is_flag=True, help="Replace an existing result folder.")
@click.pass_context
def margins(
    ctx: click.Context,
    scenario: str,
    out: str,
    overrides: tuple[str, ...],
    at: tuple[float, ...],
    loops: tuple[str, ...],
    overwrite: bool,
) -> None:
    """Work out gain, phase, delay and modulus margins of every loop of SCENARIO.

    Writes margins.json (a row for each mirror and axis), summary.json, responses.csv (L, S and T of
    the worst loops), steps.csv and report.html. Ends with 1 if a loop is unstable or misses a
    requirement of the scenario. A controller that is not linear has no margins: what was seen is
    said, and if all but a static map of it is linear, circle criterion and describing function
    answer instead (sector.json); 1 if a loop is not certain to be stable.
    """
    from pathlib import Path

    from sim.assembly.build import build
    from sim.cli.asked import asked_by
    from sim.foundations.files.filing import check_output
    from sim.results.units import number
    from sim.scenario.gallery import find
    from sim.scenario.model import load_scenario
    from sim.studies.margins.curves import loops_named
    from sim.studies.margins.filing import write_margins
    from sim.studies.margins.margins import (
        REJECTION_HZ,
        NonlinearLawError,
        margins_summary,
        study,
    )
    from sim.studies.margins.margins_page import WORDS
    from sim.studies.margins.required import against_worst, verdict_words
    from sim.studies.margins.sector import sector_study

    path = find(scenario)
    check_output(Path(out), kind="margins", overwrite=overwrite)
    with naming(path, overrides):
        built = build(load_scenario(path, overrides))
        nyquist_hz = 0.5 / built.parts.clock.frame_s
        try:
            result = study(built, at or tuple(f for f in REJECTION_HZ if f <= nyquist_hz))
        except NonlinearLawError as exc:
            if exc.found is None:
                raise
            _sector(ctx, sector_study(built, exc.found), out, overwrite)
            return
        loops_named(result, loops)
    folder = write_margins(result, out, overwrite=overwrite, asked=asked_by(ctx), loops=loops)
    summary = margins_summary(result)
    with showing(folder):
        say(f"{shown(built.resolved.title)}: {counted(summary['loops'], 'loop')}, worst of each "
            "figure")
        for key, (words, unit) in WORDS.items():
            worst = summary["worst"][key]
            if worst is not None:
                value = number(worst["value"], unit, 4)
                say(f"{words:<24}{value:>12}  mirror {worst['name']}, axis {worst['axis']}")
        required = against_worst(built.resolved.requirements, summary["worst"])
        say(verdict_words(required, len(summary["unstable"])))
    if summary["unstable"]:
        named = ", ".join(summary["unstable"][:12])
        say(f"UNSTABLE: {counted(len(summary['unstable']), 'mirror')}: {named}")
        if (fall := summary["gain_must_fall_db"]) is not None:
            say(f"all of them become stable if the gain falls by {number(fall, 'dB', 3)}")
        ctx.exit(MISSED)
    if not all(row.met for row in required):
        ctx.exit(MISSED)


def _sector(ctx: click.Context, result: "SectorStudy", out: str, overwrite: bool) -> None:
    """File and say what holds for a law that has no margins."""
    from sim.cli.asked import asked_by
    from sim.studies.margins.filing import write_sector
    from sim.studies.margins.sector import sector_verdict

    with showing(write_sector(result, out, overwrite=overwrite, asked=asked_by(ctx))):
        say(f"{shown(result.built.resolved.title)}: the controller is not linear, so no margins")
        say(f"seen: {result.found.kind}")
        say(sector_verdict(result))
    if not result.circle.certain.all():
        ctx.exit(MISSED)
