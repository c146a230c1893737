"""The command `mirrorloop deadline`."""

import click

from sim.cli.guard import showing
from sim.cli.naming import naming
from sim.cli.screen import say
from sim.foundations.errors import MISSED


class Microseconds(click.FloatRange):
    """A time; what is none is said with the unit."""

    name = "number of us"


@click.command()
@click.argument("scenario")
@click.option("--out", "out", required=True, metavar="DIR", help="Folder for the results.")
@click.option(
    "--set", "overrides", multiple=True, metavar="PATH=VALUE",
    help="Change a value of the scenario, as for `run`; may be repeated.",
)  # fmt: skip
@click.option("--share", "shares", multiple=True, metavar="PCT",
              type=click.FloatRange(0, 90, min_open=True),
              help="Share of the frames that are missed; may be repeated. 1 and 10 if left out.",
              )  # fmt: skip
@click.option("--jitter", "jitter_us", multiple=True, metavar="US",
              type=Microseconds(0.001, 1e6),
              help="Longest extra latency; may be repeated. 10 and 30 % of a frame if left out.",
              )  # fmt: skip
@click.option("--seeds", type=click.IntRange(2, 1000), default=4, show_default=True,
              help="Runs of each share, over noise seeds.")  # fmt: skip
@click.option("--emulate/--no-emulate", default=True, show_default=True,
              help="Count instructions on an emulated processor; else stored counts stand in."
              )  # fmt: skip
@click.option("--overwrite", is_flag=True, help="Replace an existing result folder.")
@click.pass_context
def deadline(
    ctx: click.Context, scenario: str, out: str, overrides: tuple[str, ...],
    shares: tuple[float, ...], jitter_us: tuple[float, ...], seeds: int, emulate: bool,
    overwrite: bool,
) -> None:  # fmt: skip
    """Hold SCENARIO's firmware against its deadline, and say what missed frames cost.

    Counts what a frame of all spots takes against `[processor]`, with every estimator that can be
    written as C, stage by stage. Runs the loop with shares of its frames dropped or late, beside a
    difference equation that knows nothing of the loop's own path. Writes deadline.json and
    report.html. Ends with 1 if the worst frame is late, a frame's work takes longer than a frame,
    memory does not suffice, or loop and equation disagree.
    """
    from pathlib import Path

    from sim.cli.asked import asked_by
    from sim.cli.counting import counting_bar
    from sim.foundations.files.filing import check_output
    from sim.scenario.gallery import find
    from sim.scenario.model import load_scenario
    from sim.studies.deadline.page import KIND, verdict_of, write
    from sim.studies.deadline.study import SHARES_PCT, study_deadline
    from sim.studies.run.provenance import now

    path = find(scenario)
    check_output(Path(out), kind=KIND, overwrite=overwrite)
    started = now()
    loaded = load_scenario(path, overrides)
    with naming(path, overrides), counting_bar() as stage:
        found = study_deadline(
            loaded, shares or SHARES_PCT, seeds, jitter_us=jitter_us or None,
            emulate=emulate, progress=stage("runs"), counting=stage("estimators counted"),
        )
    asked = asked_by(ctx, overrides)
    folder = write(loaded, found, out, started, overwrite=overwrite, asked=asked)
    text, good = verdict_of(found)
    with showing(folder):
        say(text)
        for kind in found.compared.rows:
            most = kind.counted.stage("frame").most
            where = "counted here" if kind.where == "here" else "stored count"
            say(f"{kind.kind:<22}{most:>8} instructions a spot at most ({where})")
        for row in found.rows:
            late = "" if row.late is None else f", one frame late {row.late.mean_urad:.2f}"
            say(
                f"{row.share_pct:>5g} % missed: dropped {row.dropped.mean_urad:.2f} urad, equation "
                f"{row.equation.mean_urad:.2f} ({_apart(row.apart_pct)}){late}"
            )
        for jitter in found.jitter:
            say(
                f"latency longer by up to {jitter.jitter_us:g} us: "
                f"{jitter.pointing.mean_urad:.2f} urad ({_apart(jitter.apart_pct)})"
            )
    if not good:
        ctx.exit(MISSED)


def _apart(pct: float | None) -> str:
    return "no error to compare with" if pct is None else f"{pct:+.1f} %"
