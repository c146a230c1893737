"""The `sweep` command: many runs of one scenario, kept as they finish."""

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import click

from sim.cli.guard import showing
from sim.cli.screen import say
from sim.foundations.errors import FAULT, MISSED, REFUSED
from sim.foundations.files.text import counted

PLAIN_EVERY_S = 10.0


@click.command()
@click.argument("scenario")
@click.option("--out", "out", required=True, metavar="DIR", help="Folder for the results.")
@click.option(
    "--vary", "vary", multiple=True, metavar="PATH=VALUES",
    help="What to vary: PATH=1,2,3 or PATH=LOW..HIGH/COUNT or PATH=uniform(LOW,HIGH), "
    "loguniform(LOW,HIGH), normal(MEAN,SD); may be repeated.",
)  # fmt: skip
@click.option("--seeds", type=int, default=1, show_default=True, metavar="N",
              help="Runs at each point, with the scenario's seed and those after it.")  # fmt: skip
@click.option("--samples", type=int, metavar="N", help="Draws from the distributions.")
@click.option("--design", type=click.Choice(["grid", "latin", "sobol"]),
              help="How distributions are drawn; latin if left out.")  # fmt: skip
@click.option("--set", "overrides", multiple=True, metavar="PATH=VALUE",
              help="Change a value for all runs, as on `run`; may be repeated.")  # fmt: skip
@click.option("--workers", type=click.IntRange(1, 256), metavar="N",
              help="Processes on this machine; one a processor if left out.")  # fmt: skip
@click.option("--cluster", "cluster", metavar="ADDRESS",
              help="Run on the Dask cluster at ADDRESS instead (extra `cluster`).")  # fmt: skip
@click.option("--parquet", is_flag=True, help="Write table.parquet too (extra `cluster`).")
@click.option("--overwrite", is_flag=True, help="Throw away an earlier sweep in DIR.")
@click.option("--repair", is_flag=True,
              help="Drop what is damaged in the store, and do those runs again.")  # fmt: skip
@click.option("--retry", is_flag=True, help="Do the runs again that could not be done.")
@click.pass_context
def sweep(
    ctx: click.Context,
    scenario: str,
    out: str,
    vary: tuple[str, ...],
    seeds: int,
    samples: int | None,
    design: str | None,
    overrides: tuple[str, ...],
    workers: int | None,
    cluster: str | None,
    parquet: bool,
    overwrite: bool,
    repair: bool,
    retry: bool,
) -> None:
    """Run SCENARIO many times: every point of what is varied, with every seed.

    DIR keeps each run as it finishes. If the sweep is stopped or killed, the same command goes on
    from there. When all runs are done, DIR gets table.csv and report.html.

    Exit codes: 0 all runs done and inside their limits; 1 all done, and some missed a limit; 2 bad
    input, stopped, or some runs could not be done; 70 some could not for a fault of the program.
    """
    from pathlib import Path

    from sim.cli.asked import asked_by
    from sim.studies.sweep.one_run import FAULT as FAULT_WORDS
    from sim.studies.sweep.run import sweep as swept_by

    with progress() as tell:
        swept = swept_by(
            scenario, vary, out, seeds=seeds, samples=samples, design=design, overrides=overrides,
            workers=workers, cluster=cluster, parquet=parquet, overwrite=overwrite, repair=repair,
            retry=retry, progress=tell, warn=lambda text: say(text, err=True),
            asked=asked_by(ctx),
        )  # fmt: skip
    plan, missed, failed = swept.plan, swept.missed, swept.failed
    with showing(Path(out)):
        say(
            f"{counted(plan.n_runs, 'run')} ({counted(len(plan.points), 'point')} x "
            f"{counted(len(plan.seeds), 'seed')}): "
            f"{len(missed)} missed a limit, {len(failed)} could not be done"
        )
    if failed:
        errors = [str(swept.outcomes[run].error) for run in failed]
        ours = [i for i, text in enumerate(errors) if text.startswith(FAULT_WORDS)]
        first = ours[0] if ours else 0
        say(f"error: run {failed[first]}: {errors[first]}", err=True)
        ctx.exit(FAULT if ours else REFUSED)
    if missed:
        ctx.exit(MISSED)


@contextmanager
def progress() -> Iterator[Callable[[int, int, int], None]]:
    """Show runs done and time left on stderr: a bar on a terminal, now and then a line elsewhere.

    What it yields is called with the runs done before, the runs done, and all runs.
    """
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn

    started = time.perf_counter()
    first: list[tuple[int, float]] = []
    console = Console(stderr=True)

    def line(begun: int, done: int, total: int) -> str:
        now = time.perf_counter()
        if done > begun and not first:
            first.append((done, now))  # what came before is start-up, not pace
        here, since = first[0] if first else (done, now)
        left = time_left(done - here, total - done, now - since)
        return f"{done} of {counted(total, 'run')}, {left}"

    if not console.is_terminal:
        last = [-PLAIN_EVERY_S]

        def tell_plainly(begun: int, done: int, total: int) -> None:
            now, text = time.perf_counter() - started, line(begun, done, total)
            if now - last[0] >= PLAIN_EVERY_S or done == total:
                last[0] = now
                say(text, err=True)

        yield tell_plainly
        return
    columns: tuple[Any, ...] = (TextColumn("{task.description}"), BarColumn())
    with Progress(*columns, console=console, transient=True) as bar:
        task = bar.add_task("runs", total=None)
        yield lambda begun, done, total: bar.update(
            task, completed=done, total=total, description=line(begun, done, total)
        )


def time_left(done_here: int, left: int, elapsed_s: float) -> str:
    """Say how long `left` more runs take at the pace of those done here."""
    if left == 0:
        return "done"
    if done_here == 0:
        return "time left not known yet"
    seconds = elapsed_s / done_here * left
    if seconds < 90:
        return f"about {seconds:.0f} s left"
    minutes = seconds / 60
    return f"about {minutes:.0f} min left" if minutes < 90 else f"about {minutes / 60:.1f} h left"
