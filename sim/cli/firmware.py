"""The command `mirrorloop firmware`."""

import click

from sim.cli.guard import showing
from sim.cli.naming import naming
from sim.cli.screen import say
from sim.foundations.files.text import counted


@click.command()
@click.argument("scenario")
@click.option("--out", "out", required=True, metavar="DIR", help="Folder for the source.")
@click.option(
    "--set", "overrides", multiple=True, metavar="PATH=VALUE",
    help="Change a value of the scenario, as for `run`; may be repeated.",
)  # fmt: skip
@click.option(
    "--arithmetic", "arithmetic", type=click.Choice(["fixed", "single"]), default="fixed",
    show_default=True, help="Whole numbers, or floating point in single precision.",
)  # fmt: skip
@click.option("--overwrite", is_flag=True, help="Replace an existing firmware.")
def firmware(
    scenario: str, out: str, overrides: tuple[str, ...], arithmetic: str, overwrite: bool
) -> None:
    """Write the C99 source of SCENARIO's estimator and controller.

    Whole numbers, no heap, no floating point; with Makefile, CMakeLists.txt and a test that replays
    golden vectors (see `vectors`). Both parts of the scenario must have fixed arithmetic. A run
    takes the folder as it is: controller.kind=c:DIR. With --arithmetic single there is floating
    point, the scenario needs no fixed arithmetic, and the C comes near the model within a bound.
    """
    from pathlib import Path

    from sim.assembly.build import build
    from sim.foundations.files.filing import check_output
    from sim.scenario.gallery import find
    from sim.scenario.model import load_scenario
    from sim.studies.firmware.single_precision import write_single_firmware
    from sim.studies.firmware.writing import KIND, write_firmware

    path = find(scenario)
    check_output(Path(out), kind=KIND, overwrite=overwrite)
    with naming(path, overrides):
        built = build(load_scenario(path, overrides))
        write = write_single_firmware if arithmetic == "single" else write_firmware
        folder = write(built, out, overwrite=overwrite)
    with showing(folder):
        lines = sum(len(p.read_text().splitlines()) for p in (folder / "src").glob("*.[ch]"))
        say(
            f"{built.resolved.estimator['kind']} and {built.resolved.controller['kind']}: "
            f"{counted(lines, 'line')} of C99 in {out}/src. Test: make -C {out} test VECTORS=DIR"
        )
