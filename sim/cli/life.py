"""The command `mirrorloop life`."""

import click

from sim.cli.guard import showing
from sim.cli.naming import naming
from sim.cli.screen import say
from sim.foundations.errors import MISSED
from sim.foundations.files.text import shown


@click.command()
@click.argument("scenario")
@click.option("--out", "out", required=True, metavar="DIR", help="Folder for the results.")
@click.option("--years", type=click.FloatRange(0, 100, min_open=True), metavar="Y",
              help="How long; the design life of the scenario if left out.")  # fmt: skip
@click.option("--switches", type=click.IntRange(1, 100_000), default=1, show_default=True,
              metavar="K", help="Switches: the scenario's seed and those after it.")  # fmt: skip
@click.option("--workers", type=click.IntRange(1, 256), metavar="N",
              help="Processes for many lives; one a processor if left out.")  # fmt: skip
@click.option("--levers", "with_levers", is_flag=True,
              help="Try every cause halved, and other maintenance: a life each.")  # fmt: skip
@click.option("--overlap", "overlap_s", type=click.FloatRange(2, 600), metavar="S",
              help="Run the first S seconds by the full loop too, and compare.")  # fmt: skip
@click.option(
    "--set", "overrides", multiple=True, metavar="PATH=VALUE",
    help="Change a value of the scenario, as for `run`; may be repeated.",
)  # fmt: skip
@click.option("--overwrite", is_flag=True, help="Replace an existing result folder.")
@click.pass_context
def life(
    ctx: click.Context, scenario: str, out: str, years: float | None, switches: int,
    workers: int | None, with_levers: bool, overlap_s: float | None, overrides: tuple[str, ...],
    overwrite: bool,
) -> None:  # fmt: skip
    """Follow the switch of SCENARIO through its life: years, in steps of seconds to hours.

    Writes life.json, years.csv, connections.csv and report.html. Of many switches and of lives with
    one change, finished ones are kept in DIR-switches and DIR-levers as they come: stopped or
    killed, the same command goes on from there. Ends with 1 if a connection exceeds the end-of-life
    limit, or if both clocks do not agree.
    """
    from pathlib import Path

    from sim.cli.asked import asked_by
    from sim.cli.counting import counting_bar
    from sim.foundations.files.filing import check_output
    from sim.scenario.gallery import find
    from sim.scenario.model import load_scenario
    from sim.studies.life.both_clocks import overlap
    from sim.studies.life.episodes import play_episodes
    from sim.studies.life.filing import KIND, whole, write
    from sim.studies.life.levers import levers
    from sim.studies.life.study import live
    from sim.studies.life.switches import switches as many

    path = find(scenario)
    check_output(Path(out), kind=KIND, overwrite=overwrite)
    with naming(path), counting_bar() as stage:
        loaded = load_scenario(path, overrides)
        first = live(loaded, years, progress=stage("life"))
        episodes = play_episodes(first, stage("episodes")) if first.lived.at_episodes else []
        both = overlap(loaded, overlap_s) if overlap_s is not None else None
        tried = None
        if with_levers:
            tried = levers(
                first, stage("lives with one change"), workers=workers, overwrite=overwrite,
                folder=Path(out).with_name(f"{Path(out).name}-levers"),
            )  # fmt: skip
        found = None
        if switches > 1:
            tell = stage("switches")
            store = Path(out).with_name(f"{Path(out).name}-switches")
            found = many(
                path, switches, store, overrides=overrides, years=years, workers=workers,
                overwrite=overwrite, progress=lambda done: tell(done, switches),
            )  # fmt: skip
    results = whole(first, found, episodes=episodes, overlap=both, tried=tried)
    folder = write(
        first, results, out, overwrite=overwrite, found=found, tried=tried,
        asked=asked_by(ctx, overrides),
    )  # fmt: skip
    with showing(folder):
        say(f"{shown(loaded.title)}: {results['verdict']}")
        for name, column in (("median", "median_db"), ("95th percentile", "p95_db"),
                             ("largest", "max_db")):  # fmt: skip
            first_db, last_db = results[column][0], results[column][-1]
            say(f"{name:<18}{_text(first_db):>10} dB new{_text(last_db):>10} dB at the end")
        grown = {
            n: course[-1] - course[0] for n, course in results["contributors"].items()
        }
        most = max(grown, key=lambda n: grown[n])
        say(f"what grows most: {most}, by {grown[most]:.3f} dB on the mean")
        if both is not None:
            c = both["correction_urad"]
            say(
                f"both clocks over {both['seconds']:g} s: corrections of {c['rms']:.1f} µrad "
                f"differ by {c['difference_rms']:.2f} µrad rms"
            )
    if not results["met"]:
        ctx.exit(MISSED)


def _text(value: float | None) -> str:
    return "dark" if value is None else f"{value:.3f}"
