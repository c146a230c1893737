"""The command `mirrorloop estimators`."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import click

from sim.cli.guard import showing
from sim.cli.naming import naming
from sim.cli.screen import say

WORDS = {"frames": "points", "loop": "loop runs", "seeds": "seeds"}
LINES_PER_STAGE = 4


@click.command()
@click.argument("scenario")
@click.option("--out", "out", required=True, metavar="DIR", help="Folder for the results.")
@click.option(
    "--set", "overrides", multiple=True, metavar="PATH=VALUE",
    help="Change a value of the scenario, as for `run`; may be repeated.",
)  # fmt: skip
@click.option(
    "--loop-ms", type=click.FloatRange(0), default=300.0, show_default=True,
    help="Length of the run in the loop with each estimator; 0: none.",
)  # fmt: skip
@click.option(
    "--weight", "weights", multiple=True, metavar="CONDITION=VALUE",
    help="How much a condition counts against the camera as it is (1), e.g. hot_pixels=0 with a "
    "bad-pixel map, ghost=0, dim=1; may be repeated.",
)  # fmt: skip
@click.option(
    "--seeds", type=click.IntRange(2, 64), metavar="N",
    help="Sets of frames that the recommendation rests on, in place of the scenario's.",
)  # fmt: skip
@click.option(
    "--axes", metavar="A,B", default="",
    help="Only these axes of the figures; no loop, no recommendation.",
)  # fmt: skip
@click.option(
    "--points", metavar="A=X,B=Y", default="",
    help="Only these points, e.g. ghost=5; no loop, no recommendation.",
)  # fmt: skip
@click.option(
    "--frames", "frames", metavar="PATH",
    help="Read recorded windows instead: PNG, TIFF, NPY stack, or a folder of them.",
)  # fmt: skip
@click.option(
    "--truth", "truth", metavar="CSV",
    help="True positions of the recorded spots: columns x_px and y_px, a row for each frame.",
)  # fmt: skip
@click.option("--overwrite", is_flag=True, help="Replace an existing result folder.")
@click.pass_context
def estimators(
    ctx: click.Context,
    scenario: str,
    out: str,
    overrides: tuple[str, ...],
    loop_ms: float,
    weights: tuple[str, ...],
    seeds: int | None,
    axes: str,
    points: str,
    frames: str | None,
    truth: str | None,
    overwrite: bool,
) -> None:
    """Compare the spot estimators on the camera of SCENARIO, and in its loop.

    Writes estimators.json (a row for each estimator and point), estimators.csv, summary.json and
    report.html.
    """
    from pathlib import Path

    from sim.cli.asked import asked_by
    from sim.foundations.errors import ScenarioError
    from sim.foundations.files.filing import check_output
    from sim.scenario.gallery import find
    from sim.scenario.model import load_scenario
    from sim.studies.estimators.filing import write_comparison
    from sim.studies.estimators.run import compare_estimators, run_recorded

    if truth is not None and frames is None:
        raise ScenarioError("--truth needs --frames")
    path = find(scenario)
    check_output(Path(out), kind="estimators", overwrite=overwrite)
    overrides += tuple(f"estimator_comparison.weights.{text}" for text in weights)
    if seeds is not None:
        overrides += (f"estimator_comparison.seeds={seeds}",)
    loaded, asked = load_scenario(path, overrides), asked_by(ctx, overrides)
    with naming(path, overrides):
        if frames is not None:
            comparison = run_recorded(
                loaded, Path(frames), None if truth is None else Path(truth), asked
            )
        else:
            with _progress() as tell:
                comparison = compare_estimators(
                    loaded, loop_ms, tell, axes=_listed(axes), points=_listed(points), asked=asked
                )
    write_comparison(comparison, Path(out), overwrite=overwrite)
    with showing(Path(out)):
        headline = ("nominal", "recorded")
        say(_table([r for r in comparison.rows if (axes or points) or r["axis"] in headline]))
        for warning in comparison.summary.get("warnings", ()):
            say(f"warning: {warning}", err=True)
        if comparison.choice is not None:
            say(f"recommendation: {comparison.choice.estimator or 'none'}")
            for reason in comparison.choice.reasons:
                say(f"  {reason}")


def _listed(text: str) -> list[str]:
    return [part.strip() for part in text.split(",") if part.strip()]


def _table(rows: list[dict[str, Any]]) -> str:
    """The headline figures, one line an estimator and point."""
    heads = ("bias px", "scatter px", "bound px", "not read", "us")
    lines = [f"{'estimator':<32}" + "".join(f"{head:>12}" for head in heads)]
    shown = None
    for row in rows:
        point = None if row["value"] is None else f"{row['axis']} {row['value']:g}"
        if point not in (shown, None):
            lines.append(f"{point}:")
        shown = point
        figures = [row["bias_rms_px"], row["scatter_px"], row["bound_px"]]
        cells = ["none" if v is None else f"{v:.4f}" for v in figures]
        cells += [f"{100 * row['failure_rate']:.1f} %", f"{row['time_us']:.1f}"]
        lines.append(f"{row['estimator']:<32}" + "".join(f"{cell:>12}" for cell in cells))
    return "\n".join(lines)


@contextmanager
def _progress() -> Iterator[Callable[[str, int, int], None]]:
    """Show what is done on stderr: a bar on a terminal, now and then a line elsewhere."""
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    console = Console(stderr=True)
    if not console.is_terminal:

        def tell_plainly(what: str, done: int, total: int) -> None:
            if done == total or done % max(1, total // LINES_PER_STAGE) == 0:
                say(f"{WORDS[what]}: {done} of {total}", err=True)

        yield tell_plainly
        return
    columns = (TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn())
    with Progress(*columns, console=console, transient=True) as bar:
        task = bar.add_task("frames", total=1.0)

        def tell(what: str, done: int, total: int) -> None:
            text = f"{WORDS[what]} {done} of {total}"
            bar.update(task, completed=done / total, description=text)

        yield tell
