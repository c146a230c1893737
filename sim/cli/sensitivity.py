"""The command `mirrorloop sensitivity`."""

import click

from sim.cli.guard import showing
from sim.cli.naming import naming
from sim.cli.screen import say
from sim.foundations.errors import MISSED
from sim.foundations.files.text import shown


@click.command()
@click.argument("scenario")
@click.option("--out", "out", required=True, metavar="DIR", help="Folder for the results.")
@click.option(
    "--set", "overrides", multiple=True, metavar="PATH=VALUE",
    help="Change a value of the scenario, as for `run`; may be repeated.",
)  # fmt: skip
@click.option("--overwrite", is_flag=True, help="Replace an existing result folder.")
@click.pass_context
def sensitivity(
    ctx: click.Context, scenario: str, out: str, overrides: tuple[str, ...], overwrite: bool
) -> None:
    """Show what changes of mirrors, delay and frame rate do to the loops of SCENARIO.

    One change at a time, and all at once over [uncertainty], corners and inside, over populations.
    Writes sensitivity.json and report.html, with the highest bandwidth that frame rate and latency
    allow. Ends with 1 if a loop becomes unstable at a change looked at.
    """
    from pathlib import Path

    from sim.assembly.build import build
    from sim.cli.asked import asked_by
    from sim.cli.show import progress_of_many
    from sim.foundations.files.filing import check_output
    from sim.scenario.gallery import find
    from sim.scenario.model import load_scenario
    from sim.studies.margins.filing import write_loop_study
    from sim.studies.margins.robustness import changed, fastest
    from sim.studies.margins.robustness_page import robustness_page, tables_of
    from sim.studies.margins.together import together

    path = find(scenario)
    check_output(Path(out), kind="sensitivity", overwrite=overwrite)
    with naming(path, overrides):
        built = build(load_scenario(path, overrides))
        with progress_of_many() as show:
            show("single changes", 0, 1)
            points = changed(built)
            show("single changes", 1, 1)
            show("fastest plain loops", 0, 1)
            rows = fastest(built)
            show("fastest plain loops", 1, 1)
            found = together(built, show)
    page = robustness_page(built, points, rows, found)
    tables = {"sensitivity": tables_of(built, points, rows, found)}
    folder = write_loop_study(
        out, tables, page, built, kind="sensitivity", overwrite=overwrite, asked=asked_by(ctx)
    )
    with showing(folder):
        say(f"{shown(built.resolved.title)}: {page.verdict}")
    if not page.good:
        ctx.exit(MISSED)
