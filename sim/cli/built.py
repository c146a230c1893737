"""The command `mirrorloop yield`."""

import click

from sim.cli.guard import showing
from sim.cli.naming import naming
from sim.cli.screen import say
from sim.cli.taking import life_from, servo_from
from sim.foundations.errors import MISSED
from sim.foundations.files.text import shown


@click.command("yield")
@click.argument("scenario")
@click.option("--out", "out", required=True, metavar="DIR", help="Folder for the results.")
@click.option(
    "--switches", default=200, show_default=True, type=click.IntRange(1, 100_000),
    help="Switches to build.",
)  # fmt: skip
@click.option(
    "--tolerances", "tolerance_switches", default=40, show_default=True,
    type=click.IntRange(0, 10_000),
    help="Switches to build again with each tolerance halved; 0: none.",
)
@servo_from
@life_from
@click.option(
    "--set", "overrides", multiple=True, metavar="PATH=VALUE",
    help="Change a value of the scenario, as for `run`; may be repeated.",
)  # fmt: skip
@click.option("--overwrite", is_flag=True, help="Replace an existing result folder.")
@click.pass_context
def built(
    ctx: click.Context, scenario: str, out: str, switches: int, tolerance_switches: int,
    servo_dir: str | None, life_dir: str | None, overrides: tuple[str, ...], overwrite: bool,
) -> None:  # fmt: skip
    """Build many switches of SCENARIO and count those that meet both limits of loss.

    Writes yield.json, switches.csv (a row for each) and report.html: shares with intervals, what to
    buy down first, and what one more dB of budget is worth. Ends with 1 if fewer than 95 % of the
    switches pass.
    """
    from pathlib import Path

    from sim.cli.asked import asked_by
    from sim.cli.counting import counting_bar
    from sim.foundations.files.filing import check_output
    from sim.scenario.gallery import find
    from sim.scenario.model import load_scenario
    from sim.studies.built.filing import KIND, write
    from sim.studies.built.page import ENOUGH
    from sim.studies.built.study import study
    from sim.studies.connections.taken_over import overrides_taken_over

    path = find(scenario)
    check_output(Path(out), kind=KIND, overwrite=overwrite)
    overrides = (*overrides, *overrides_taken_over(servo_dir, life_dir))
    loaded = load_scenario(path, overrides)
    with naming(path), counting_bar() as stage:
        found = study(
            loaded, switches, tolerance_switches=tolerance_switches, progress=stage("switches"),
            tolerance_progress=stage("tolerances"), lives_progress=stage("lives"),
        )  # fmt: skip
    folder = write(found, out, overwrite=overwrite, asked=asked_by(ctx, overrides))
    with showing(folder):
        say(f"{shown(loaded.title)}: {found.verdict}")
        for row in found.results["buy_first"][:5]:
            say(f"{row['words']:<36}{row['gained_db']:>8.3f} dB gained if halved")
    if found.results["share_of_switches_met"]["value"] < ENOUGH:
        ctx.exit(MISSED)
