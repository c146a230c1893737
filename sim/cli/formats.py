"""The command `mirrorloop formats`."""

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
    "--vary", "vary", multiple=True, metavar="WORD=BITS,...",
    help="Word lengths to try, e.g. estimator.position_fraction=4,6,8; may be repeated. All words "
    "if left out.",
)  # fmt: skip
@click.option(
    "--set", "overrides", multiple=True, metavar="PATH=VALUE",
    help="Change a value of the scenario, as for `run`; may be repeated.",
)  # fmt: skip
@click.option("--overwrite", is_flag=True, help="Replace an existing result folder.")
@click.pass_context
def formats(
    ctx: click.Context, scenario: str, out: str, vary: tuple[str, ...],
    overrides: tuple[str, ...], overwrite: bool,
) -> None:  # fmt: skip
    """Vary the word lengths of SCENARIO's firmware: residual and loss against bits.

    Estimator and controller compute in whole numbers where there is a form of it. Also found: how
    far each word can go and went, overflow, mismatches that move nothing, loops that never rest.
    Writes formats.json, runs.csv, words.csv and report.html. Runs are kept in DIR-runs as they
    come: stopped or killed, the same command goes on from there; when DIR is written, they are
    removed. Ends with 1 if the recommended words together, or those given, change the residual by
    more than 2 %, or one is cut off; to be not sure is no miss.
    """
    from pathlib import Path

    from sim.cli.asked import asked_by
    from sim.cli.sweep import progress
    from sim.foundations.files.filing import check_output
    from sim.scenario.gallery import find
    from sim.scenario.model import load_scenario
    from sim.studies.formats.filing import KIND, write_formats
    from sim.studies.formats.kept import forget
    from sim.studies.formats.study import formats as study
    from sim.studies.formats.sweep import NAMES, lengths_of

    path = find(scenario)
    check_output(Path(out), kind=KIND, overwrite=overwrite)
    sweeps = lengths_of(vary)
    kept = Path(out).with_name(f"{Path(out).name}-runs")
    with naming(path, overrides), progress() as tell:
        found = study(
            load_scenario(path, overrides), sweeps=sweeps, folder=kept, overwrite=overwrite,
            progress=tell,
        )  # fmt: skip
    folder = write_formats(found, out, overwrite=overwrite, asked=asked_by(ctx, overrides))
    forget(kept)
    with showing(folder):
        say(f"{shown(found.built.resolved.title)}: {found.verdict}")
        say(f"{'word':<38}{'knee':>6}{'recommended':>13}{'residual':>18}")
        for knee in found.knees:
            more, error = knee.cost_pct, knee.cost_sd_pct
            cost = "" if more is None else f"{more:+.2f} +- {error:.2f} %"
            bits = ["none" if b is None else str(b) for b in (knee.knee, knee.recommended)]
            say(f"{NAMES[knee.word]:<38}{bits[0]:>6}{bits[1]:>13}{cost:>18}")
    if not found.good:
        ctx.exit(MISSED)
