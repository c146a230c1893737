"""The command `mirrorloop profiles`."""

import click

from sim.cli.guard import showing
from sim.cli.naming import naming
from sim.cli.screen import say
from sim.foundations.errors import MISSED


@click.command()
@click.argument("scenario")
@click.option("--out", "out", required=True, metavar="DIR", help="Folder for the results.")
@click.option("--quality", type=click.FloatRange(0.6, 1000.0),
              help="Quality factor of the shock response spectra; that of the scenario's "
              "requirements, 10 if not stated there, if left out.")  # fmt: skip
@click.option("--required", metavar="HZ:G,HZ:G,...",
              help="Corners of a required response spectrum.")  # fmt: skip
@click.option("--nominal", metavar="SHAPE:PEAK_G:DURATION_MS",
              help="Pulse that a record should hold, e.g. half_sine:30:11.")  # fmt: skip
@click.option(
    "--set", "overrides", multiple=True, metavar="PATH=VALUE",
    help="Change a value of the scenario, as for `run`; may be repeated.",
)  # fmt: skip
@click.option("--overwrite", is_flag=True, help="Replace an existing result folder.")
@click.pass_context
def profiles(
    ctx: click.Context, scenario: str, out: str, quality: float | None, required: str | None,
    nominal: str | None, overrides: tuple[str, ...], overwrite: bool,
) -> None:  # fmt: skip
    """Look at the profiles of SCENARIO before anything feels them: tolerances, hygiene, spectra.

    Writes profiles.json and report.html. Ends with 1 if a profile does not keep its tolerance.
    """
    from pathlib import Path

    from sim.assembly.build import build
    from sim.cli.asked import asked_by
    from sim.foundations.errors import ScenarioError
    from sim.foundations.files.filing import check_output
    from sim.scenario.gallery import find
    from sim.scenario.model import load_scenario
    from sim.studies.played.study import study
    from sim.studies.profiles.filing import KIND, verdict_of, write
    from sim.studies.run.provenance import now

    def corners(text: str | None) -> list[tuple[float, float]]:
        try:
            pairs = [] if text is None else [part.split(":") for part in text.split(",")]
            found = [(float(hz), float(g)) for hz, g in pairs]
        except ValueError as exc:
            raise ScenarioError(f"--required {text}: must be HZ:G,HZ:G,...") from exc
        rising = all(a[0] < b[0] for a, b in zip(found[:-1], found[1:], strict=True))
        above = all(min(pair) > 0 for pair in found)
        if text is not None and not (len(found) > 1 and rising and above):
            raise ScenarioError(
                f"--required {text}: two corners at least, above 0, in rising order"
            )
        return found

    def pulse(text: str | None) -> tuple[str, float, float] | None:
        if text is None:
            return None
        try:
            shape, peak_g, duration_ms = text.split(":")
            if shape not in ("half_sine", "sawtooth", "trapezoid"):
                raise ValueError(shape)
            return shape, 9.80665 * float(peak_g), 1e-3 * float(duration_ms)
        except ValueError as exc:
            raise ScenarioError(
                f"--nominal {text}: must be SHAPE:PEAK_G:DURATION_MS, the shape half_sine, "
                "sawtooth or trapezoid"
            ) from exc

    path = find(scenario)
    check_output(Path(out), kind=KIND, overwrite=overwrite)
    started = now()
    loaded = load_scenario(path, overrides)
    wanted, ideal = corners(required), pulse(nominal)
    with naming(path, overrides):
        built = build(loaded)
        events = study(built, quality=quality, required=wanted, nominal=ideal)
    asked = asked_by(ctx, overrides)
    folder = write(built.resolved, events, out, started, overwrite=overwrite, asked=asked)
    with showing(folder):
        say(verdict_of(events))
        for event in events:
            for row in event.expected:
                say(
                    f"{event.name}: {row['figure']} {row['played']:.4g} {row['unit']} of nominal "
                    f"{row['nominal']:.4g}, {'kept' if row['met'] else 'not kept'}"
                )
    if any(not event.met for event in events):
        ctx.exit(MISSED)
