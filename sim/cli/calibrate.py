"""The command `mirrorloop calibrate`."""

import click

from sim.cli.guard import showing
from sim.cli.naming import naming
from sim.cli.screen import say
from sim.foundations.errors import MISSED


@click.command()
@click.argument("scenario")
@click.option("--out", "out", required=True, metavar="DIR", help="Folder for the results.")
@click.option(
    "--set", "overrides", multiple=True, metavar="PATH=VALUE",
    help="Change a value of the scenario, as for `run`; may be repeated.",
)  # fmt: skip
@click.option("--costs/--no-costs", "with_costs", default=True, show_default=True,
              help="Run the loop with what is believed, to say what errors cost.")  # fmt: skip
@click.option("--seeds", type=click.IntRange(2, 1000), default=8, show_default=True,
              help="Runs that the rate of wrong readings is from; with camera.spill.")  # fmt: skip
@click.option("--overwrite", is_flag=True, help="Replace an existing result folder.")
@click.pass_context
def calibrate(
    ctx: click.Context, scenario: str, out: str, overrides: tuple[str, ...], with_costs: bool,
    seeds: int, overwrite: bool,
) -> None:  # fmt: skip
    """Calibrate the switch of SCENARIO, as its firmware team would.

    Dark and flat frames, photon transfer, the camera's scale, rotation and distortion, gain and
    cross-axis coupling of every mirror: each with its own noise and time. Writes calibration.json,
    a scenario that believes it (calibrated.toml), calibrate.json and report.html. Ends with 1 if
    more than one interval in five misses the truth, mirrors do not settle that would, or the
    scenario's limit of settling or misalignment loss is missed; its other limits are not judged.
    """
    from pathlib import Path

    from sim.cli.asked import asked_by
    from sim.cli.counting import counting_bar
    from sim.foundations.files.filing import check_output
    from sim.scenario.gallery import find
    from sim.scenario.model import load_scenario
    from sim.studies.calibrate.confusion import WITHOUT, confusion
    from sim.studies.calibrate.cost import costs
    from sim.studies.calibrate.filing import KIND, SCENARIO, write
    from sim.studies.calibrate.page import rate_words, verdict_of
    from sim.studies.calibrate.study import calibrate as calibrated
    from sim.studies.run.provenance import now

    path = find(scenario)
    check_output(Path(out), kind=KIND, overwrite=overwrite)
    started = now()
    loaded = load_scenario(path, overrides)
    with naming(path, overrides), counting_bar() as stage:
        found = calibrated(loaded, progress=stage("procedures"))
        cost = costs(loaded, found, stage("runs")) if with_costs else None
        confused = None
        if with_costs:
            confused = confusion(loaded, found.beliefs, seeds, stage("runs over seeds"))
    asked = asked_by(ctx, overrides)
    folder = write(
        loaded, found, cost, confused, out, started, overwrite=overwrite, asked=asked
    )
    text, good = verdict_of(found, cost, confused, loaded.limits)
    with showing(folder):
        say(text)
        for each in found.estimates:
            span = "" if each.low is None else f"  {each.low:.6g} to {each.high:.6g}"
            say(f"{each.quantity:<40}{each.value:.6g} {each.unit}{span}")
        if confused is not None:
            for name, rates in confused.rates.items():
                words = {what: rate_words(rate, seeds) for what, rate in rates.items()}
                doubts = "" if name == WITHOUT else (
                    f"; caught {words['caught']}; false alarms {words['false_alarms']}"
                )
                guard = "without a guard" if name == WITHOUT else f"guard: {name}"
                say(f"wrong spots among all readings, {guard}: passed {words['passed']}{doubts}")
        say(f"to run with it: mirrorloop run {folder / SCENARIO} --out DIR")
    if not good:
        ctx.exit(MISSED)
