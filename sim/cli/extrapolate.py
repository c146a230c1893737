"""The command `mirrorloop extrapolate`."""

import click

from sim.cli.guard import showing
from sim.cli.screen import say


@click.command()
@click.argument("log")
@click.option("--out", "out", required=True, metavar="DIR", help="Folder for the results.")
@click.option("--law", type=click.Choice(["kohlrausch", "power"]), default="kohlrausch",
              show_default=True, help="A (1 - exp(-(h/tau)^beta)), or A h^n.")  # fmt: skip
@click.option("--years", type=click.FloatRange(0, 100, min_open=True), required=True, metavar="Y",
              help="How far the law is carried on.")  # fmt: skip
@click.option("--at-c", "at_c", type=click.FloatRange(-50, 200), required=True, metavar="T",
              help="Temperature of use in °C; with no column of it, that of the test.")  # fmt: skip
@click.option("--hours", "hours_column", default="hours", show_default=True, metavar="NAME",
              help="Column of the age in hours.")  # fmt: skip
@click.option("--shift", "shift_column", default="shift_urad", show_default=True, metavar="NAME",
              help="Column of the shift.")  # fmt: skip
@click.option("--temperature", "temperature_column", metavar="NAME",
              help="Column of the temperature in °C, to fit Arrhenius' energy too.")  # fmt: skip
@click.option("--overwrite", is_flag=True, help="Replace an existing result folder.")
@click.pass_context
def extrapolate(
    ctx: click.Context, log: str, out: str, law: str, years: float, at_c: float, hours_column: str,
    shift_column: str, temperature_column: str | None, overwrite: bool,
) -> None:  # fmt: skip
    """Fit a law of ageing to LOG, a CSV of hours and shifts, and carry it on with its interval.

    Ends with 1 if that is more than ten times as long as was measured.
    """
    from pathlib import Path
    from typing import cast

    from sim.cli.asked import asked_by
    from sim.foundations.errors import MISSED
    from sim.foundations.files.filing import check_output
    from sim.life.laws import FAR, Kind
    from sim.studies.life.extrapolation import KIND, verdict_of, write_extrapolation
    from sim.studies.life.extrapolation import extrapolate as carried_on

    check_output(Path(out), kind=KIND, overwrite=overwrite)
    found = carried_on(
        log, law=cast(Kind, law), years=years, at_c=at_c, hours_column=hours_column,
        shift_column=shift_column, temperature_column=temperature_column,
    )  # fmt: skip
    folder = write_extrapolation(found, out, overwrite=overwrite, asked=asked_by(ctx, ()))
    with showing(folder):
        say(verdict_of(found))
        for name, (low, high) in found.law.intervals().items():
            say(f"{name:<16}{found.law.parameters[name]:>12.5g}  ({low:.5g} to {high:.5g})")
    if found.reach > FAR:
        ctx.exit(MISSED)
