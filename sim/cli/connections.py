"""The command `mirrorloop connections`."""

import click

from sim.cli.guard import showing
from sim.cli.naming import naming
from sim.cli.screen import say
from sim.cli.taking import life_from, servo_from
from sim.foundations.errors import MISSED
from sim.foundations.files.text import counted, shown


@click.command()
@click.argument("scenario")
@click.option("--out", "out", required=True, metavar="DIR", help="Folder for the results.")
@click.option(
    "--set", "overrides", multiple=True, metavar="PATH=VALUE",
    help="Change a value of the scenario, as for `run`; may be repeated.",
)  # fmt: skip
@servo_from
@life_from
@click.option("--move", is_flag=True, help="Run the scenario's first move through the loop too.")
@click.option(
    "--jacobian", is_flag=True,
    help="Write geometry.csv, with travel left and how the received ray follows each tilt, for a "
    "switch of more than 100 000 connections, too.",
)  # fmt: skip
@click.option("--parquet", is_flag=True, help="Write the tables as Parquet too.")
@click.option("--overwrite", is_flag=True, help="Replace an existing result folder.")
@click.pass_context
def connections(
    ctx: click.Context, scenario: str, out: str, overrides: tuple[str, ...], servo_dir: str | None,
    life_dir: str | None, move: bool, jacobian: bool, parquet: bool, overwrite: bool,
) -> None:  # fmt: skip
    """Work out the insertion loss of every input to every output of the switch of SCENARIO.

    Writes connections.csv and geometry.csv (a row for each), connections.json and report.html;
    with a budget also end_of_life.csv, with a limit of crosstalk staged.toml, with --move
    time_to_light.csv. Ends with 1 if a loss or a tilt exceeds its limit, when new or at the end of
    life, or if light in a wrong output does, or the run of --move misses one of [limits].
    """
    from pathlib import Path

    from sim.cli.asked import asked_by
    from sim.cli.counting import counting_bar
    from sim.foundations.files.filing import check_output
    from sim.foundations.files.parquet import require_parquet
    from sim.results.units import number
    from sim.scenario.gallery import find
    from sim.scenario.model import load_scenario
    from sim.studies.connections.filing import KIND, write
    from sim.studies.connections.study import study
    from sim.studies.connections.summary import looked_at_words
    from sim.studies.connections.taken_over import life_words, overrides_taken_over

    path = find(scenario)
    check_output(Path(out), kind=KIND, overwrite=overwrite)
    if parquet:
        require_parquet()
    overrides = (*overrides, *overrides_taken_over(servo_dir, life_dir))
    with naming(path), counting_bar() as stage:
        loaded = load_scenario(path, overrides)
        design = 0.0 if loaded.life is None else loaded.life.years
        words = "" if life_dir is None else life_words(Path(life_dir), design)
        found = study(
            loaded, stage("connections"), move=move, jacobian=jacobian,
            plan_progress=stage("order of the move"), lives_progress=stage("lives"),
            end_of_life=words,
        )  # fmt: skip
    folder = write(found, out, overwrite=overwrite, parquet=parquet, asked=asked_by(ctx, overrides))
    s = found.summary
    with showing(folder):
        say(f"{shown(found.scenario.title)}: {found.verdict.text}")
        for words, key in (
            ("mean", "mean_db"), ("median", "median_db"), ("99th percentile", "p99_db"),
            ("largest", "max_db"),
        ):  # fmt: skip
            say(f"{words:<24}{number(s[key], 'dB', 4):>12}")
        for words, key in (
            ("over acceptance", "over_acceptance"), ("over end of life", "over_end_of_life"),
            ("out of travel", "out_of_travel"),
        ):  # fmt: skip
            say(f"{words:<24}{'no limit' if s[key] is None else s[key]:>12}")
        if found.late is not None:
            share, sample = found.late["share_of_lives_met"], found.late["sample"]
            say(
                f"{'end of life':<24}{100 * share['value']:>10.0f} % of "
                f"{counted(found.late['lives'], 'life', 'lives')} keep {found.late['limit_db']:g} "
                f"dB{'' if sample is None else ': ' + looked_at_words(found.late)}"
            )
        if found.end_of_life:
            say(found.end_of_life)
        for row in found.worst[:3]:
            say(
                f"in {row['input']} -> out {row['output']}: "
                f"{row['insertion_db']:.3f} dB; {'; '.join(row['reasons'])}"
            )
    if not found.verdict.good:
        ctx.exit(MISSED)
