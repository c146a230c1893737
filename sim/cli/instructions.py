"""The command `mirrorloop instructions`."""

import click

from sim.cli.guard import showing
from sim.cli.naming import naming
from sim.cli.screen import say


@click.command()
@click.argument("scenario")
@click.option("--out", "out", required=True, metavar="DIR", help="Folder for the results.")
@click.option(
    "--set", "overrides", multiple=True, metavar="PATH=VALUE",
    help="Change a value of the scenario, as for `run`; may be repeated.",
)  # fmt: skip
@click.option("--overwrite", is_flag=True, help="Replace an existing result folder.")
def instructions(scenario: str, out: str, overrides: tuple[str, ...], overwrite: bool) -> None:
    """Count instructions and memory of SCENARIO's firmware on an emulated Cortex-M4.

    Needs a C compiler, the compiler and C library for bare ARM processors, and the emulator
    qemu-system-arm. Cycles are bounds from the class of each instruction. Writes instructions.json.
    """
    from pathlib import Path

    from sim.assembly.build import build
    from sim.foundations.files.filing import check_output
    from sim.scenario.gallery import find
    from sim.scenario.model import load_scenario
    from sim.studies.firmware.counting import KIND, count_instructions, write_counts

    path = find(scenario)
    check_output(Path(out), kind=KIND, overwrite=overwrite)
    with naming(path, overrides):
        built = build(load_scenario(path, overrides))
        found = count_instructions(built)
    with showing(write_counts(built, found, out, overwrite=overwrite)):
        say("instructions of a spot and frame on an emulated Cortex-M4, and cycles by their class")
        for stage in found.stages:
            say(
                f"{stage.name:<10}{stage.mean:>10.1f} on the mean{stage.most:>10} at most: "
                f"{stage.least_cycles} to {stage.most_cycles} cycles if memory never waits"
            )
        say(
            f"memory: code and tables {found.code_bytes} B (tables {found.table_bytes} B), a "
            f"mirror's state {found.state_bytes} B, a window {found.spot_bytes} B, stack at most "
            f"{found.stack_bytes} B"
        )
        say("drive: one tick of the DAC; the rest: one frame. Every count is of one mirror")
        say(f"compiled by {found.compiler}")
