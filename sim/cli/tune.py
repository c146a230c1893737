"""The command `mirrorloop tune`."""

import math
from typing import Any

import click

from sim.cli.guard import showing
from sim.cli.naming import naming
from sim.cli.screen import say
from sim.foundations.errors import MISSED
from sim.foundations.files.text import counted, shown


@click.command()
@click.argument("scenario")
@click.option("--out", "out", required=True, metavar="DIR", help="Folder for the results.")
@click.option(
    "--set", "overrides", multiple=True, metavar="PATH=VALUE",
    help="Change a value of the scenario, as for `run`; may be repeated.",
)  # fmt: skip
@click.option(
    "--max-sensitivity", "max_sensitivity", type=click.FloatRange(min=1.0, min_open=True),
    metavar="MS", help="Largest Ms of any mirror. Default: that of [requirements].",
)  # fmt: skip
@click.option(
    "--gain-margin", "gain_margin_db", type=click.FloatRange(min=0.0), metavar="DB",
    help="Smallest gain margin of any mirror. Default: that of [requirements].",
)  # fmt: skip
@click.option(
    "--phase-margin", "phase_margin_deg", type=click.FloatRange(min=0.0), metavar="DEG",
    help="Smallest phase margin of any mirror. Default: that of [requirements].",
)  # fmt: skip
@click.option(
    "--settling", "settling_ms", type=click.FloatRange(min=0.0), metavar="MS",
    help="Slowest settling of any mirror. Default: nine tenths of the scenario's limit, if any.",
)  # fmt: skip
@click.option(
    "--vary", "vary", multiple=True, metavar="NAME=LOW..HIGH",
    help="A setting of the controller to choose, and its range; in place of the usual ones; may "
    "be repeated up to three times.",
)  # fmt: skip
@click.option(
    "--moves-per-hour", type=click.FloatRange(min=0), metavar="RATE",
    help="How often a connection moves in service: light counts as lost while it settles. Default: "
    "the rate of the scenario itself.",
)  # fmt: skip
@click.option(
    "--settling-weight", type=click.FloatRange(min=0), metavar="DB_PER_MS",
    help="What a millisecond of settling is worth, in place of a rate of moves: 0 takes the least "
    "loss, a large weight the fastest settling.",
)  # fmt: skip
@click.option("--shape", is_flag=True, help="Choose the command shaping too.")
@click.option(
    "--by-axis", "each_axis", is_flag=True, help="Let each axis have gains of its own."
)
@click.option(
    "--robust", is_flag=True,
    help="Keep the demands over the scenario's [uncertainty] too: resonance, Q, gain and delay off "
    "at once, and other populations; corners, and a search inside.",
)  # fmt: skip
@click.option("--overwrite", is_flag=True, help="Replace an existing result folder.")
@click.pass_context
def tune(
    ctx: click.Context,
    scenario: str,
    out: str,
    overrides: tuple[str, ...],
    max_sensitivity: float | None,
    gain_margin_db: float | None,
    phase_margin_deg: float | None,
    settling_ms: float | None,
    vary: tuple[str, ...],
    moves_per_hour: float | None,
    settling_weight: float | None,
    shape: bool,
    each_axis: bool,
    robust: bool,
    overwrite: bool,
) -> None:
    """Choose the controller's gains for SCENARIO, and check the choice by simulation.

    Looks for the least predicted loss, time spent settling counted, with margins and settling kept
    for every mirror. Writes tuned.toml (a scenario that `run` takes), tune.json and report.html.
    Ends with 1 if the simulation disagrees with the prediction or misses a limit of the scenario.
    """
    from pathlib import Path

    from sim.assembly.build import build
    from sim.cli.asked import asked_by
    from sim.cli.show import progress_bar, progress_of_many
    from sim.foundations.files.filing import check_output
    from sim.scenario.gallery import find
    from sim.scenario.model import load_scenario
    from sim.studies.margins.demands import demands_of
    from sim.studies.margins.filing import write_loop_study
    from sim.studies.margins.tune import tune as search
    from sim.studies.margins.tune_page import fragment, outcome_words, tune_page
    from sim.studies.margins.tune_results import results_of
    from sim.studies.margins.verify import verify_choice

    path = find(scenario)
    check_output(Path(out), kind="tuning", overwrite=overwrite)
    numbers = {
        "--max-sensitivity": max_sensitivity, "--gain-margin": gain_margin_db,
        "--phase-margin": phase_margin_deg, "--settling": settling_ms,
        "--settling-weight": settling_weight, "--moves-per-hour": moves_per_hour,
    }  # fmt: skip
    check_finite(numbers)
    knobs = _knobs(vary)
    with naming(path, overrides):
        built = build(load_scenario(path, overrides))
        demands = demands_of(
            built, max_sensitivity, gain_margin_db, phase_margin_deg, settling_ms, settling_weight,
            moves_per_hour,
        )  # fmt: skip
        with progress_of_many() as show:
            outcome = search(
                built, demands, knobs, lambda n: show("sets of gains tried", n, None),
                shape=shape, each_axis=each_axis, robust=robust, watching=show,
            )  # fmt: skip
    say(f"{counted(len(outcome.tried), 'set')} of gains tried; simulating the chosen one", err=True)
    with naming(path, overrides), progress_bar(built.resolved.duration_ms) as tell:
        check = verify_choice(outcome, tell)
    folder = write_loop_study(
        out,
        {"tune": results_of(outcome, check)},
        tune_page(built, outcome, check),
        built,
        kind="tuning",
        overwrite=overwrite,
        asked=asked_by(ctx),
        texts={"tuned.toml": fragment(outcome, check.words)},
    )
    c = outcome.chosen
    with showing(folder):
        say(f"{shown(built.resolved.title)}: {outcome_words(outcome)}")
        say(demands.objective)
        say(outcome.why)
        if demands.settling_words:
            say(demands.settling_words)
        say(
            f"worst mirrors: Ms {c.ms:.3f} (mirror {c.ms_mirror}), gain margin "
            f"{c.gain_margin_db:.2f} dB (mirror {c.gain_mirror}), phase margin "
            f"{c.phase_margin_deg:.1f} deg (mirror {c.phase_mirror}), settling "
            f"{c.settling_ms:.1f} ms (mirror {c.settling_mirror})"
        )
        if outcome.robust:
            for i, words in enumerate(outcome.robust.taken):
                say(f"switch {i + 1}: {words}")
            say(outcome.robust.words)
        say(check.words)
        say(f"run {folder / 'tuned.toml'}")
    if not (check.agrees and all(row["met"] for row in check.limits) and c.meets):
        ctx.exit(MISSED)


def check_finite(numbers: dict[str, float | None]) -> None:
    """Refuse options that are no finite numbers; a comparison with NaN would let anything pass.

    Raises
    ------
    ScenarioError
        With the option and its value.
    """
    from sim.foundations.errors import ScenarioError

    for name, value in numbers.items():
        if value is not None and not math.isfinite(value):
            raise ScenarioError(f"{name} must be a finite number (got {value})")


def _knobs(vary: tuple[str, ...]) -> Any:
    """Return the knobs that were asked for; None for the usual ones."""
    from sim.foundations.errors import ScenarioError
    from sim.foundations.files.text import range_of
    from sim.studies.margins.tune import Knob

    if len(vary) > 3:
        raise ScenarioError(f"--vary: at most three settings (got {len(vary)})")
    knobs: list[Knob] = []
    for text in vary:
        path, _, span = text.partition("=")
        name = path.strip().removeprefix("controller.")
        ends = range_of(span.strip())
        if ends is None or not name:
            raise ScenarioError(f"--vary needs NAME=LOW..HIGH (got {text!r})")
        if ends[2] is not None:
            raise ScenarioError(f"--vary {text}: the search takes its own steps; leave out /COUNT")
        low, high = float(ends[0]), float(ends[1])
        if name in {knob.name for knob in knobs}:
            raise ScenarioError(f"--vary {text}: {name} is varied already")
        if not 0 <= low < high < float("inf"):
            raise ScenarioError(f"--vary {text}: LOW must be 0 or more, and below HIGH")
        knobs.append(Knob(name, low, high))
    return knobs or None
