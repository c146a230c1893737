"""The command `mirrorloop predict`."""

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
@click.option(
    "--total-only", is_flag=True,
    help="Simulate the scenario once, not once more without each contributor.",
)  # fmt: skip
@click.option("--overwrite", is_flag=True, help="Replace an existing result folder.")
@click.pass_context
def predict(
    ctx: click.Context,
    scenario: str,
    out: str,
    overrides: tuple[str, ...],
    total_only: bool,
    overwrite: bool,
) -> None:
    """Predict the residual jitter of SCENARIO from spectra, beside its simulation.

    Writes prediction.json (a row for each contributor, the total last) and report.html. Ends with 1
    if prediction and simulation disagree.
    """
    from pathlib import Path

    from sim.assembly.build import build
    from sim.cli.asked import asked_by
    from sim.foundations.errors import ScenarioError
    from sim.foundations.files.filing import check_output
    from sim.scenario.gallery import find
    from sim.scenario.model import load_scenario
    from sim.studies.margins.contributors import compare_contributors
    from sim.studies.margins.filing import write_loop_study
    from sim.studies.margins.margins import study
    from sim.studies.margins.predict_page import (
        agrees,
        contributor_rows,
        predict_page,
        start_words,
        urad_text,
    )

    path = find(scenario)
    check_output(Path(out), kind="prediction", overwrite=overwrite)

    def tell(what: str) -> None:
        say(f"simulating {what}", err=True)

    with naming(path, overrides):
        built = build(load_scenario(path, overrides))
        if not study(built, (), with_steps=False).stable.all():
            raise ScenarioError("controller: a loop is unstable; see `mirrorloop margins`")
        result = compare_contributors(built, each=not total_only, progress=tell)
    page = predict_page(result)
    tables = {"prediction": contributor_rows(result)}
    folder = write_loop_study(
        out, tables, page, built, kind="prediction", overwrite=overwrite, asked=asked_by(ctx)
    )
    with showing(folder):
        say(f"{shown(built.resolved.title)}: jitter, radial rms [urad]")
        say(f"{'contributor':<28}{'predicted':>10}{'simulated':>11}{'ratio':>8}")
        for row in (*result.rows, result.total):
            simulated = "" if row.simulated_urad is None else urad_text(row.simulated_urad)
            ratio = "" if row.ratio is None else f"{row.ratio:.3f}"
            predicted = urad_text(row.predicted_urad)
            say(f"{row.name:<28}{predicted:>10}{simulated:>11}{ratio:>8}")
        if said := start_words(result):
            say(said)
    if not agrees(result):
        say("The simulation disagrees with the prediction.")
        ctx.exit(MISSED)
