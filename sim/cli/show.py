"""What the command line shows of a run: progress on stderr, a short table on stdout."""

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from typing import Any

from rich.console import Console
from rich.progress import BarColumn, Progress, TaskID, TextColumn, TimeElapsedColumn
from rich.table import Table

from sim.cli.screen import prints_signs
from sim.foundations.files.text import shown
from sim.results.connection_losses import is_dark
from sim.results.table import FIGURES, LIMITED
from sim.results.units import number, number_beside, unit_sign
from sim.results.verdict import verdict_of
from sim.studies.run.alarms import watch_texts
from sim.studies.run.result import Result


@contextmanager
def progress_bar(duration_ms: float) -> Iterator[Callable[[int, int], None]]:
    """Show simulated and elapsed time on stderr once frames are done; gone after the run."""
    console = Console(stderr=True)
    columns = (
        TextColumn("simulated {task.fields[simulated]}"),
        BarColumn(),
        TextColumn("{task.percentage:>3.0f} %  elapsed"),
        TimeElapsedColumn(),
    )
    progress = Progress(*columns, console=console, transient=True)
    task = progress.add_task("run", total=1.0, simulated="0.00 s")

    def tell(done: int, total: int) -> None:
        share = done / total
        progress.start()
        text = f"{1e-3 * duration_ms * share:.2f} s"
        progress.update(task, completed=share, simulated=text)

    try:
        yield tell
    finally:
        if progress.live.is_started:
            progress.stop()


@contextmanager
def progress_of(what: str) -> Iterator[Callable[[int, int], None]]:
    """Show on stderr how many of `what` are done; gone afterwards."""
    columns = (TextColumn(f"{what} {{task.completed:.0f}}"), BarColumn(), TimeElapsedColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as progress:
        task = progress.add_task(what, total=None)

        def tell(done: int, total: int) -> None:
            progress.update(task, completed=done, total=total)

        yield tell


@contextmanager
def progress_of_many() -> Iterator[Callable[[str, int, int | None], None]]:
    """Show on stderr what is done, how many are, and of how many, a line each; gone afterwards."""
    columns = (TextColumn("{task.description}: {task.completed:.0f}"), BarColumn(),
               TimeElapsedColumn())  # fmt: skip
    with Progress(*columns, console=Console(stderr=True), transient=True) as progress:
        tasks: dict[str, TaskID] = {}

        def tell(what: str, done: int, total: int | None) -> None:
            if what not in tasks:
                tasks[what] = progress.add_task(what, total=None)
            progress.update(tasks[what], completed=done, total=total)

        yield tell


def summary(result: Result) -> None:
    """Print the headline figures and the limits."""
    console = Console(highlight=False, markup=False, emoji=False)  # text of users is data
    plain = not prints_signs(console.encoding)
    title = shown(result.scenario.title)
    table = Table(title=title, title_justify="left", box=None, pad_edge=False)
    table.add_column("figure")
    table.add_column("value", justify="right")
    for figure in FIGURES:
        value = figure.of(result.figures)
        if value is not None and (figure.headline or figure.limit in result.limited):
            text = number(value, figure.unit, plain=plain)
            if figure.path == "lost.frames" and result.scenario.camera.noise == "equivalent":
                text = "none by equivalent noise"
            text = "dark" if is_dark(figure, value) else text
            table.add_row(figure.words, text)
    console.print(table)
    said = result.verdict
    verdict = verdict_of(
        result.limits, result.rows.culprits, said.because, said.beyond, said.diverging,
        short=said.short, plain=plain,
    )  # fmt: skip
    console.print(verdict.text, soft_wrap=True)
    for limit in result.limits:
        console.print(limit_line(limit, plain=plain), soft_wrap=True)
    for line in [] if result.alarms is None else watch_texts(result.alarms, 5):
        console.print(line, soft_wrap=True)
    for line in speed(result.provenance):
        console.print(line, soft_wrap=True)


def limit_line(row: Mapping[str, Any], *, plain: bool) -> str:
    """Return one limit, its value and whether it is met."""
    figure = LIMITED[row["name"]]
    value = number_beside(row["value"], row["limit"], figure.unit, plain=plain)
    value = "dark" if is_dark(figure, row["value"]) else value
    below = ("<=" if plain else "≤") if figure.worse == "higher" else (">=" if plain else "≥")
    unit = unit_sign(figure.unit, plain=plain)
    asked = f"{below} {row['limit']:g} {unit}".rstrip()
    return f"limit {row['name']}: {value}, {asked}: {'met' if row['met'] else 'MISSED'}"


def speed(provenance: dict[str, Any]) -> list[str]:
    """Return what to say about the time a run took: how long, how it was executed, and on what."""
    simulated_s, wall_s = provenance["simulated_s"], provenance["wall_s"]
    spent_s = {name: value for name, value in provenance["spent_s"].items() if value > 0}
    loop_s = sum(spent_s.values())
    start_s = provenance["start_s"]
    threads = provenance["threads"]
    execution = f"{provenance['execution']}, {provenance['kernels']} kernels"
    if provenance["kernels_because"]:
        execution += f" (some fifty times slower), because {provenance['kernels_because']}"
    if provenance["execution_because"]:
        execution += f", because {'; '.join(provenance['execution_because'])}"
    lines = [
        f"{simulated_s:g} s simulated in {wall_s:.1f} s ({simulated_s / wall_s:.2f} x real time) "
        f"on {threads} thread{'s' if threads > 1 else ''}; {start_s:.1f} s of it to load or "
        "compile kernels, and for the first frames",
        f"execution: {execution}",
    ]
    if loop_s > 0:
        parts = sorted(spent_s.items(), key=lambda item: -item[1])
        shares = ", ".join(f"{name} {100 * value / loop_s:.0f} %" for name, value in parts)
        lines.append(f"all other frames took {loop_s:.2f} s: {shares}")
    return lines
