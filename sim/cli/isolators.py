"""The command `mirrorloop isolators`."""

import click

from sim.cli.guard import showing
from sim.cli.naming import naming
from sim.cli.screen import say
from sim.foundations.errors import MISSED


@click.command()
@click.argument("scenario")
@click.option("--mounts", "mounts", required=True, metavar="FILE", type=click.Path(),
              help="TOML: a table for each mount, with the keys of [isolator].")  # fmt: skip
@click.option("--out", "out", required=True, metavar="DIR", help="Folder for the results.")
@click.option(
    "--set", "overrides", multiple=True, metavar="PATH=VALUE",
    help="Change a value of the scenario, as for `run`; may be repeated.",
)  # fmt: skip
@click.option("--overwrite", is_flag=True, help="Replace an existing result folder.")
@click.pass_context
def isolators(
    ctx: click.Context, scenario: str, mounts: str, out: str, overrides: tuple[str, ...],
    overwrite: bool,
) -> None:  # fmt: skip
    """Compare isolators under SCENARIO: transmissibility, sway, strikes, error and loss.

    Writes isolators.json and report.html. Ends with 1 if the limits are met on none of them.
    """
    from pathlib import Path

    from sim.cli.asked import asked_by
    from sim.cli.counting import counting_bar
    from sim.foundations.files.filing import check_output
    from sim.scenario.gallery import find
    from sim.scenario.model import load_scenario
    from sim.studies.isolators.page import KIND, write
    from sim.studies.isolators.study import compare_isolators, load_mounts, verdict_of
    from sim.studies.run.provenance import now

    path = find(scenario)
    check_output(Path(out), kind=KIND, overwrite=overwrite)
    started, kinds = now(), load_mounts(mounts)
    loaded = load_scenario(path, overrides)
    with naming(path, overrides), counting_bar() as stage:
        found = compare_isolators(loaded, kinds, progress=stage("runs"))
    asked = asked_by(ctx, overrides)
    folder = write(loaded, found, out, started, overwrite=overwrite, asked=asked)
    with showing(folder):
        say(verdict_of(found))
        for each in found:
            f, sway = each.row["figures"], each.row["sway"]["max_mm"]
            moved = "" if sway is None else f"sway {sway:.3f} mm, "
            say(
                f"{each.name:<20}{moved}core {f['core_peak_g']:.3g} g, error "
                f"{f['peak_error_urad']:.1f} urad, loss {f['peak_loss_db']:.3g} dB, "
                f"{each.row['verdict']}"
            )
    if all(each.row["verdict"] != "met" for each in found):
        ctx.exit(MISSED)
