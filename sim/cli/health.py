"""The command `mirrorloop health`."""

import click

from sim.cli.guard import showing
from sim.cli.naming import naming
from sim.cli.screen import say
from sim.foundations.errors import MISSED


@click.command()
@click.argument("scenario")
@click.option("--out", "out", required=True, metavar="DIR", help="Folder for the results.")
@click.option("--seeds", default=4, show_default=True, type=click.IntRange(1, 1000),
              help="Runs of each fault.")  # fmt: skip
@click.option("--mirrors", default=12, show_default=True, type=click.IntRange(1, 4096),
              help="Mirrors that a fault is put on in each run.")  # fmt: skip
@click.option("--healthy", type=click.IntRange(1, 10_000),
              help="Runs without a fault; twice the seeds if left out.")  # fmt: skip
@click.option(
    "--set", "overrides", multiple=True, metavar="PATH=VALUE",
    help="Change a value of the scenario, as for `run`; may be repeated.",
)  # fmt: skip
@click.option("--overwrite", is_flag=True, help="Replace an existing result folder.")
@click.pass_context
def health(
    ctx: click.Context, scenario: str, out: str, seeds: int, mirrors: int, healthy: int | None,
    overrides: tuple[str, ...], overwrite: bool,
) -> None:  # fmt: skip
    """Try the watch of SCENARIO: delays of faults, how often healthy mirrors raise an alarm.

    Puts each fault of [[health.trials]] on some mirrors, over several seeds. Writes health.json and
    report.html. Ends with 1 if a fault was not found (but for those too small to be seen before the
    mirror moves), a healthy mirror raised an alarm, or more false alarms than asked for are sure.
    """
    from pathlib import Path

    from sim.cli.asked import asked_by
    from sim.cli.counting import counting_bar
    from sim.foundations.files.filing import check_output
    from sim.scenario.gallery import find
    from sim.scenario.model import load_scenario
    from sim.studies.health.page import KIND, write
    from sim.studies.health.study import study
    from sim.studies.run.provenance import now

    path = find(scenario)
    check_output(Path(out), kind=KIND, overwrite=overwrite)
    started = now()
    loaded = load_scenario(path, overrides)
    with naming(path, overrides), counting_bar() as stage:
        found = study(
            loaded, seeds=seeds, mirrors=mirrors, healthy=healthy, progress=stage("runs")
        )
    folder = write(loaded, found, out, started, overwrite=overwrite, asked=asked_by(ctx, overrides))
    with showing(folder):
        say(found.verdict)
        for kind in found.kinds:
            r = kind.row
            say(
                f"{r['words']:<14}found {r['found']} of {r['mirrors']}, median "
                f"{_ms(r['delay_median_ms'])}, 95 % within {_ms(r['delay_p95_ms'])}, kind named "
                f"after {_ms(r['told_median_ms'])}, named rightly {100 * r['named_rightly']:.0f} %"
            )
    if not found.good:
        ctx.exit(MISSED)


def _ms(value: float | None) -> str:
    return "never" if value is None else f"{value:.4g} ms"
