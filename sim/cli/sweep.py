"""The `sweep` command: many runs of one scenario, kept as they finish."""

import os
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import click

from sim.cli.guard import showing
from sim.cli.screen import say
from sim.errors import FAULT, MISSED, REFUSED, Stopped
from sim.filing import mark, put_page

PLAIN_EVERY_S = 10.0
MOST_WORKERS = 256
"""Processes on one machine; more take its memory and gain nothing."""


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
@click.option("--workers", type=click.IntRange(1, MOST_WORKERS), metavar="N",
              help="Processes on this machine; one a processor if left out.")  # fmt: skip
@click.option("--dask", "dask", metavar="ADDRESS",
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
    dask: str | None,
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

    from sim.studies.sweep import table
    from sim.studies.sweep.errors import SweepError
    from sim.studies.sweep.execute import dask_cluster, execute, local_processes
    from sim.studies.sweep.identity import identity_of
    from sim.studies.sweep.one_run import FAULT as FAULT_WORDS
    from sim.studies.sweep.page import render
    from sim.studies.sweep.plan import check_plan, make_plan
    from sim.studies.sweep.store import KIND, OURS, Store

    if dask is not None and workers is not None:
        raise SweepError("--dask: the cluster has its own workers; leave out --workers")
    if parquet:
        table.require_parquet()
    plan = make_plan(
        scenario, vary, seeds=seeds, samples=samples, design=design, overrides=overrides
    )
    check_plan(plan)
    folder = Path(out)
    with Store(folder, identity_of(plan), overwrite=overwrite, repair=repair) as store:
        try:
            if retry:
                store.forget_failed()
            begun = len(store.done())
            if begun < plan.n_runs:
                engine = (
                    dask_cluster(dask)
                    if dask is not None
                    else local_processes(min(workers or processors(), plan.n_runs - begun))
                )
                with progress(begun, plan.n_runs) as tell, engine as ready:
                    execute(plan, store, ready, tell, lambda text: say(text, err=True))
            outcomes = store.outcomes()
            columns = table.make_table(plan, outcomes)
            table.write_csv(columns, folder / "table.csv")
            if parquet:
                table.write_parquet(columns, folder / "table.parquet")
            put_page(folder, lambda: render(plan, outcomes))
            mark(folder, KIND, OURS)
        except KeyboardInterrupt:
            raise Stopped(
                f"stopped: {len(store.done())} of {plan.n_runs} runs are done and kept; "
                "the same command goes on from there"
            ) from None
    failed = [run for run, outcome in outcomes.items() if outcome.error is not None]
    missed = sum(bool(outcome.limits_missed) for outcome in outcomes.values())
    with showing(folder):
        say(
            f"{plan.n_runs} runs ({len(plan.points)} points x {len(plan.seeds)} seeds): "
            f"{missed} missed a limit, {len(failed)} could not be done"
        )
    if failed:
        errors = [str(outcomes[run].error) for run in failed]
        ours = [i for i, text in enumerate(errors) if text.startswith(FAULT_WORDS)]
        first = ours[0] if ours else 0
        say(f"error: run {failed[first]}: {errors[first]}", err=True)
        ctx.exit(FAULT if ours else REFUSED)
    if missed:
        ctx.exit(MISSED)


def processors() -> int:
    """Return how many processors this program may use."""
    try:
        return len(os.sched_getaffinity(0))
    except AttributeError:  # not on every system
        return os.cpu_count() or 1


@contextmanager
def progress(begun: int, total: int) -> Iterator[Callable[[int], None]]:
    """Show runs done and time left on stderr: a bar on a terminal, now and then a line elsewhere.

    Parameters
    ----------
    begun : int
        Runs done before this call; they say nothing about the pace.
    total : int
        All runs.
    """
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn

    started = time.perf_counter()
    first: list[tuple[int, float]] = []
    console = Console(stderr=True)

    def line(done: int) -> str:
        now = time.perf_counter()
        if done > begun and not first:
            first.append((done, now))  # what came before is start-up, not pace
        here, since = first[0] if first else (done, now)
        return f"{done} of {total} runs, {time_left(done - here, total - done, now - since)}"

    if not console.is_terminal:
        last = [-PLAIN_EVERY_S]

        def tell_plainly(done: int) -> None:
            now, text = time.perf_counter() - started, line(done)
            if now - last[0] >= PLAIN_EVERY_S or done == total:
                last[0] = now
                say(text, err=True)

        yield tell_plainly
        return
    columns: tuple[Any, ...] = (TextColumn("{task.description}"), BarColumn())
    with Progress(*columns, console=console, transient=True) as bar:
        task = bar.add_task(line(begun), total=total, completed=begun)
        yield lambda done: bar.update(task, completed=done, description=line(done))


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
