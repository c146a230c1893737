"""The command `mirrorloop campaign`."""

import click

from sim.cli.guard import showing
from sim.cli.screen import say
from sim.cli.sweep import progress
from sim.foundations.errors import FAULT, MISSED, REFUSED
from sim.foundations.files.text import shown


@click.command()
@click.argument("campaign_file", metavar="CAMPAIGN", type=click.Path())
@click.option("--out", "out", required=True, metavar="DIR", help="Folder for the results.")
@click.option("--workers", type=click.IntRange(1, 256), metavar="N",
              help="Processes on this machine; one a processor if left out.")  # fmt: skip
@click.option("--cluster", "cluster", metavar="ADDRESS",
              help="Run on the Dask cluster at ADDRESS instead (extra `cluster`).")  # fmt: skip
@click.option("--overwrite", is_flag=True, help="Throw away an earlier campaign in DIR.")
@click.option("--repair", is_flag=True,
              help="Drop what is damaged in the store, and do those runs again.")  # fmt: skip
@click.option("--retry", is_flag=True, help="Do the runs again that could not be done.")
@click.option("--pdf", is_flag=True, help="Write report.pdf too (extra `pdf`).")
@click.pass_context
def campaign(
    ctx: click.Context, campaign_file: str, out: str, workers: int | None, cluster: str | None,
    overwrite: bool, repair: bool, retry: bool, pdf: bool,
) -> None:  # fmt: skip
    """Run the cases of CAMPAIGN (a TOML file) and file one page: matrix, worst cases, profiles.

    DIR keeps each run as it finishes. If the campaign is stopped or killed, the same command goes
    on from there. Exit codes: 0 every case met; 1 a case missed a limit or was not shown to meet
    it; 2 bad input, stopped, or a case could not be done; 70 for a fault of the program.
    """
    from pathlib import Path

    from sim.cli.asked import asked_by
    from sim.studies.campaign.run import campaign as run
    from sim.studies.sweep.one_run import FAULT as FAULT_WORDS

    with progress() as tell:
        found = run(
            campaign_file, out, workers=workers, cluster=cluster, overwrite=overwrite,
            repair=repair, retry=retry, pdf=pdf, progress=tell,
            warn=lambda text: say(text, err=True), asked=asked_by(ctx),
        )  # fmt: skip
    with showing(Path(out)):
        say(f"{shown(found.plan.params.title)}: {found.verdict}")
        width = max(len(row["name"]) for row in found.rows)
        for row in found.rows:
            say(f"{row['name']:<{width}}  {row['verdict']:<9} {', '.join(row['missed'])}".rstrip())
    errors = [text for row in found.rows for text in row["errors"]]
    if errors:
        say(f"error: {errors[0]}", err=True)
        ctx.exit(FAULT if any(text.startswith(FAULT_WORDS) for text in errors) else REFUSED)
    if found.bad:
        ctx.exit(MISSED)
