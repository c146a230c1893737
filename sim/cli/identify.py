"""The commands `mirrorloop identify` and `mirrorloop record`."""

from pathlib import Path

import click

from sim.cli.guard import showing
from sim.cli.naming import naming
from sim.cli.screen import say
from sim.foundations.errors import MISSED
from sim.foundations.files.text import counted

OUT = click.option("--out", "out", required=True, metavar="DIR", help="Folder for the results.")
OVERRIDE = click.option(
    "--set", "overrides", multiple=True, metavar="PATH=VALUE",
    help="Change a value of the scenario, as for `run`; may be repeated.",
)  # fmt: skip
OVERWRITE = click.option("--overwrite", is_flag=True, help="Replace an existing result folder.")


@click.command()
@click.argument("log", type=click.Path(path_type=Path))
@click.option(
    "--scenario", "scenario", metavar="BASE",
    help="Nominal mirrors and timing; the result is a scenario with the mirrors found.",
)  # fmt: skip
@OUT
@OVERRIDE
@OVERWRITE
@click.pass_context
def identify(
    ctx: click.Context,
    log: Path,
    scenario: str | None,
    out: str,
    overrides: tuple[str, ...],
    overwrite: bool,
) -> None:
    """Estimate mirrors from LOG, a file or folder of laboratory logs, with 95 % intervals.

    Takes time series, frequency responses, free decays and staircases (CSV, or NPZ for series).
    Writes identify.json, population.csv, report.html and, with --scenario, identified.toml. Ends
    with 1 if the model does not explain the data, or a fold of a resonance is in doubt.
    """
    from sim.cli.asked import asked_by
    from sim.cli.show import progress_of
    from sim.foundations.errors import ScenarioError
    from sim.foundations.files.filing import check_output
    from sim.scenario.gallery import find
    from sim.scenario.model import load_scenario
    from sim.studies.identify.filing import write_identified
    from sim.studies.identify.identify import identify as estimate
    from sim.studies.identify.page import identify_page

    if overrides and scenario is None:
        raise ScenarioError("--set needs --scenario: there is nothing to change without one")
    check_output(Path(out), kind="identify", overwrite=overwrite)
    base = None if scenario is None else load_scenario(find(scenario), overrides)
    with progress_of("mirrors") as tell:
        result = estimate(log, base, tell)
    folder = write_identified(result, out, overwrite=overwrite, asked=asked_by(ctx))
    page = identify_page(result)
    with showing(folder):
        say(page.verdict)
        for note in result.notes:
            say(f"note: {note}")
    if not page.good:
        ctx.exit(MISSED)


@click.command()
@click.argument("scenario")
@OUT
@OVERRIDE
@click.option(
    "--kind", type=click.Choice(["series", "decay", "staircase"]), default="series",
    show_default=True, help="What is recorded.",
)  # fmt: skip
@click.option(
    "--excite", type=click.Choice(["multisine", "prbs", "chirp", "step"]), default="multisine",
    show_default=True, help="Excitation of a series.",
)  # fmt: skip
@click.option(
    "--amplitude", "amplitude_urad", type=click.FloatRange(min=0, min_open=True), metavar="URAD",
    help="Largest excitation, or half the span of a staircase. Default: 300, staircase 10000.",
)  # fmt: skip
@click.option(
    "--frames", type=click.IntRange(64, 1_000_000), default=2048, show_default=True,
    help="Length of a series.",
)  # fmt: skip
@click.option("--closed", is_flag=True, help="Keep the scenario's controller on during a series.")
@OVERWRITE
@click.pass_context
def record(
    ctx: click.Context,
    scenario: str,
    out: str,
    overrides: tuple[str, ...],
    kind: str,
    excite: str,
    amplitude_urad: float | None,
    frames: int,
    closed: bool,
    overwrite: bool,
) -> None:
    """Excite the simulated switch of SCENARIO and write the log that a laboratory would.

    Writes series.npz, decay.csv or staircase.csv, and what the simulated mirrors really are in
    truth/truth.csv, so that `identify` can be tried on it.
    """
    from sim.cli.asked import asked_by
    from sim.cli.show import progress_of
    from sim.foundations.files.filing import check_output
    from sim.scenario.gallery import find
    from sim.scenario.model import load_scenario
    from sim.studies.identify.filing import write_recorded
    from sim.studies.identify.record import record as excited

    path = find(scenario)
    check_output(Path(out), kind="record", overwrite=overwrite)
    amplitude = amplitude_urad or (10_000.0 if kind == "staircase" else 300.0)
    with naming(path), progress_of("frames") as tell:
        log = excited(
            load_scenario(path, overrides), kind, excite=excite, amplitude_rad=1e-6 * amplitude,
            frames=frames, closed=closed, progress=tell,
        )  # fmt: skip
    folder = write_recorded(log, kind, out, overwrite=overwrite, asked=asked_by(ctx))
    with showing(folder):
        say(f"{counted(len(log.built.parts.mirrors), 'mirror')} recorded")
