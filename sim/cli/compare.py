"""The command `mirrorloop compare`."""

import click

from sim.cli.guard import showing
from sim.cli.screen import say
from sim.foundations.files.text import counted


@click.command()
@click.argument("figures", required=False)
@click.option("--out", "out", required=True, metavar="DIR", help="Folder for the results.")
@click.option("--overwrite", is_flag=True, help="Replace an existing result folder.")
@click.pass_context
def compare(ctx: click.Context, figures: str | None, out: str, overwrite: bool) -> None:
    """Compare classes of switching mechanism by the user's own FIGURES (a TOML file).

    Without FIGURES, the example that comes with the cases is used; its values are invented. Writes
    compare.json, mechanisms.toml and report.html.
    """
    from pathlib import Path

    from sim.cli.asked import asked_by
    from sim.foundations.errors import ScenarioError
    from sim.foundations.files.filing import check_output
    from sim.foundations.files.reading import read_text
    from sim.scenario.gallery import find
    from sim.studies.compare.model import compare as compared
    from sim.studies.compare.model import load_comparison
    from sim.studies.compare.page import KIND, verdict_of, write

    check_output(Path(out), kind=KIND, overwrite=overwrite)
    example = find("harrow_point_reconfigure").parent / "profiles" / "mechanisms.toml"
    path = example if figures is None else Path(figures)
    params = load_comparison(path)
    found = compared(params)
    text = read_text(path, fault=ScenarioError)
    folder = write(params, found, text, out, overwrite=overwrite, asked=asked_by(ctx))
    with showing(folder):
        say(verdict_of(params, found))
        for c in found:
            for r in c.rewired:
                say(f"{c.params.name:<40}{counted(r.k, 'connection'):>18}{r.p99_s:>12.3f} s (99 "
                    "% of orders)")
