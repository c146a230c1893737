"""The command `mirrorloop vectors`."""

import click

from sim.cli.guard import showing
from sim.cli.naming import naming
from sim.cli.screen import say


@click.command()
@click.argument("scenario")
@click.option("--out", "out", required=True, metavar="DIR", help="Folder for the vectors.")
@click.option(
    "--frames", "frames", required=True, type=click.IntRange(min=1), metavar="N",
    help="Frames of the loop, from its start.",
)  # fmt: skip
@click.option(
    "--mirrors", "mirrors", type=click.IntRange(min=1), metavar="M",
    help="How many mirrors are kept, evenly spread over the run's; 16 if left out.",
)  # fmt: skip
@click.option(
    "--set", "overrides", multiple=True, metavar="PATH=VALUE",
    help="Change a value of the scenario, as for `run`; may be repeated.",
)  # fmt: skip
@click.option(
    "--arithmetic", "arithmetic", type=click.Choice(["fixed", "single"]), default="fixed",
    show_default=True, help="For firmware in whole numbers, or in single precision.",
)  # fmt: skip
@click.option("--overwrite", is_flag=True, help="Replace existing vectors.")
def vectors(
    scenario: str, out: str, frames: int, mirrors: int | None, overrides: tuple[str, ...],
    arithmetic: str, overwrite: bool,
) -> None:  # fmt: skip
    """Write golden vectors of SCENARIO: what its firmware gets, and the words it must give.

    Frames of the loop, windows that are hard to read, and steps of the law at its rounding corners;
    raw arrays with an index, readers in C and Python, and a table of what is covered. Estimator and
    controller must have fixed arithmetic. With --arithmetic single: readings, corrections and codes
    in double precision, which firmware in single precision must come near.
    """
    from pathlib import Path

    from sim.assembly.build import build
    from sim.cli.counting import counting_bar
    from sim.foundations.files.filing import check_output
    from sim.scenario.gallery import find
    from sim.scenario.model import load_scenario
    from sim.studies.firmware.single_precision import single_vectors
    from sim.studies.firmware.vectors import vectors_of
    from sim.studies.firmware.vectors_filing import KIND, write_vectors

    path = find(scenario)
    check_output(Path(out), kind=KIND, overwrite=overwrite)
    with naming(path, overrides), counting_bar() as stage:
        built = build(load_scenario(path, overrides))
        make = single_vectors if arithmetic == "single" else vectors_of
        found = make(built, frames, mirrors, progress=stage("frames"))
    with showing(write_vectors(found, built, out, overwrite=overwrite)):
        width = max(len(line.what) for line in found.coverage)
        for line in found.coverage:
            count = str(line.rows) if line.rows else "not reached"
            say(f"{line.what:<{width}}  {count:>11}  {line.note}".rstrip())
