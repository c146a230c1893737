"""The command `mirrorloop replay`."""

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
    "--profile", "profiles", multiple=True, metavar="KIND:KEY=VALUE,...",
    help="What plays, e.g. shock:pulse=half_sine,peak_g=1,duration_ms=11; the scenario's own "
    "events if left out; may be repeated.",
)  # fmt: skip
@click.option("--axes", default="x", show_default=True, help="Of x, y, z; a record has its own.")
@click.option("--senses", default="+", show_default=True, help="Of + and -.")
@click.option("--levels", default="1", show_default=True, help="Factors on the acceleration.")
@click.option("--loops", default="closed,open,dark", show_default=True,
              help="Of closed, open and dark (camera).")  # fmt: skip
@click.option("--margins", "margin_loops", default="closed", show_default=True,
              help="Loops whose margins to failure are sought; none: no margins.")  # fmt: skip
@click.option("--seeds", default=3, show_default=True, type=click.IntRange(1, 1000),
              help="Noise seeds at each level of a margin.")  # fmt: skip
@click.option("--top", default=64.0, show_default=True, type=click.FloatRange(1.0, 1e6),
              help="Highest level tried, times the largest of --levels.")  # fmt: skip
@click.option("--within", default=5.0, show_default=True, type=click.FloatRange(0.01, 100.0),
              help="Share to which a margin is found. [%]")  # fmt: skip
@click.option(
    "--set", "overrides", multiple=True, metavar="PATH=VALUE",
    help="Change a value of the scenario, as for `run`; may be repeated.",
)  # fmt: skip
@click.option("--overwrite", is_flag=True, help="Replace an existing result folder.")
@click.option("--pdf", is_flag=True, help="Write report.pdf too (extra `pdf`).")
@click.pass_context
def replay(
    ctx: click.Context, scenario: str, out: str, profiles: tuple[str, ...], axes: str, senses: str,
    levels: str, loops: str, margin_loops: str, seeds: int, top: float, within: float,
    overrides: tuple[str, ...], overwrite: bool, pdf: bool,
) -> None:  # fmt: skip
    """Play shocks, vibration or records at several levels, and find the margin to failure.

    Closed loop, open loop and a dark camera stand side by side. Writes replay.json and report.html.
    Ends with 1 if a case with the closed loop misses a limit.
    """
    from pathlib import Path

    from sim.cli.asked import asked_by
    from sim.cli.counting import counting_bar
    from sim.foundations.errors import ScenarioError
    from sim.foundations.files.filing import check_output
    from sim.scenario.gallery import find
    from sim.scenario.model import load_scenario
    from sim.studies.replay.events import parse_profile
    from sim.studies.replay.filing import KIND, write
    from sim.studies.replay.study import replay as replayed

    def words(text: str) -> list[str]:
        return [word.strip() for word in text.split(",") if word.strip() not in ("", "none")]

    def numbers(text: str) -> list[float]:
        try:
            return [float(word) for word in words(text)]
        except ValueError as exc:
            raise ScenarioError(f"--levels {text}: must be numbers, separated by commas") from exc

    path = find(scenario)
    check_output(Path(out), kind=KIND, overwrite=overwrite)
    if pdf:
        from sim.report.pdf import require_pdf

        require_pdf()
    loaded = load_scenario(path, overrides)
    with naming(path, overrides), counting_bar() as stage:
        found = replayed(
            loaded, [parse_profile(text) for text in profiles], axes=words(axes),
            senses=words(senses), levels=numbers(levels), loops=words(loops),
            margin_loops=words(margin_loops), seeds=seeds, top=top, closeness=1.0 + within / 100.0,
            progress=stage("cases and margins"),
        )  # fmt: skip
    folder = write(found, out, overwrite=overwrite, pdf=pdf, asked=asked_by(ctx, overrides))
    with showing(folder):
        say(f"{shown(loaded.title)}: {found.verdict}")
        for case in found.cases:
            f = case["figures"]
            say(
                f"{case['along']:<17}level {case['level']:<8g}{case['loop']:<8}"
                f"error {f['peak_error_urad']:>9.1f} urad, loss {f['peak_loss_db']:>8.2f} dB, "
                f"outage {f['longest_outage_ms']:>7.2f} ms, {case['verdict']}"
            )
    closed = [case for case in found.cases if case["loop"] == "closed"] or found.cases
    if any(case["verdict"] != "met" for case in closed):
        ctx.exit(MISSED)
