"""The `mirrorloop` command and how it ends."""

import os
import sys
from pathlib import Path
from typing import Final

import click

from sim.cli.guard import DEBUG, showing
from sim.cli.help import Grouped
from sim.cli.naming import naming
from sim.cli.screen import prints_signs, say
from sim.foundations.errors import MISSED
from sim.foundations.files.text import counted, shown

NUMBA_THREADS: Final = "NUMBA_NUM_THREADS"
ELSEWHERE: Final[dict[str, str]] = {
    "calibrate": "sim.cli.calibrate:calibrate",
    "campaign": "sim.cli.campaign:campaign",
    "compare": "sim.cli.compare:compare",
    "connections": "sim.cli.connections:connections",
    "deadline": "sim.cli.deadline:deadline",
    "estimators": "sim.cli.estimators:estimators",
    "extrapolate": "sim.cli.extrapolate:extrapolate",
    "firmware": "sim.cli.firmware:firmware",
    "formats": "sim.cli.formats:formats",
    "health": "sim.cli.health:health",
    "identify": "sim.cli.identify:identify",
    "instructions": "sim.cli.instructions:instructions",
    "isolators": "sim.cli.isolators:isolators",
    "life": "sim.cli.life:life",
    "margins": "sim.cli.margins:margins",
    "predict": "sim.cli.predict:predict",
    "profiles": "sim.cli.profiles:profiles",
    "record": "sim.cli.identify:record",
    "replay": "sim.cli.replay:replay",
    "sensitivity": "sim.cli.sensitivity:sensitivity",
    "sweep": "sim.cli.sweep:sweep",
    "tune": "sim.cli.tune:tune",
    "vectors": "sim.cli.vectors:vectors",
    "yield": "sim.cli.built:built",
}
"""Command -> where it is; loaded when it is asked for."""


@click.group(
    cls=Grouped,
    elsewhere=ELSEWHERE,
    context_settings={"help_option_names": ["-h", "--help"]},
)
@click.version_option(package_name="mirrorloop", prog_name="mirrorloop")
@click.option(DEBUG, is_flag=True, expose_value=False, help="Show the traceback of a fault.")
def cli() -> None:
    """Simulate the closed loop that points the mirrors of an optical cross-connect.

    Exit codes: 0 done and inside the scenario's limits; 1 done and written, but a limit is missed
    or a finding is bad; 2 the input is refused, or the run was stopped; 70 a fault of the program.

    A simulation does not replace measurement. The hardware it speaks of carries invisible laser
    radiation and voltages above 100 V.
    """
    # The numerical libraries meet tiny matrices here; on a busy machine their threads cost many
    # times what they save. Set before they are loaded, and only where the user has not chosen.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    # Figures are drawn into files, whatever the user has chosen to see plots with; a choice that is
    # not installed would keep matplotlib from loading at all.
    os.environ["MPLBACKEND"] = "agg"
    _leave_aside_odd_threads()


def _leave_aside_odd_threads() -> None:
    """Take a number of threads away that the compiler cannot read: it would not load.

    The kernels have threads of their own, so nothing is lost.
    """
    asked = os.environ.get(NUMBA_THREADS, "").strip()
    number = int(asked) if asked.isascii() and asked.isdigit() and len(asked) < 10 else 0
    if asked and number < 1:
        del os.environ[NUMBA_THREADS]
        say(
            f"note: {NUMBA_THREADS} must be a whole number from 1 on (got {shown(asked[:20])}); "
            "it is left aside. `run --threads` says how many threads there are",
            err=True,
        )


@cli.command("list")
def list_cases() -> None:
    """List the shipped scenarios, one line each."""
    from sim.scenario.gallery import cases

    found = cases()
    width = max(len(case.name) for case in found)
    for case in found:
        runs = f" (runs {', '.join(case.outside)})" if case.outside else ""
        say(f"{case.name:<{width}}  {shown(case.title)}{shown(runs)}")


OVERRIDE = click.option(
    "--set", "overrides", multiple=True, metavar="PATH=VALUE",
    help="Change a value of the scenario, e.g. camera.signal_e=5000; another `kind` drops the "
    "old one's settings; may be repeated.",
)  # fmt: skip


@cli.command()
@click.argument("scenario")
@OVERRIDE
@click.option("--load", is_flag=True, help="Run the outside code that it names, to check it too.")
@click.pass_context
def check(ctx: click.Context, scenario: str, overrides: tuple[str, ...], load: bool) -> None:
    """Check SCENARIO (a file, or a name from `list`) without running it, and say what it will do.

    Code that does not come with mirrorloop is looked for, but not run unless asked for. Ends with 1
    if a run would not show what it is asked for: an event outside the hold interval, a limit that
    cannot be met, spots that cannot be read, arithmetic that does not fit the latency.
    """
    from sim.assembly.build import build
    from sim.assembly.cost import cost_of, no_compiler
    from sim.kernels.installed import plain_kernels
    from sim.scenario.gallery import find
    from sim.scenario.model import load_scenario
    from sim.studies.run.preview import preview

    path = find(scenario)
    loaded = load_scenario(path, overrides)
    with naming(path, overrides), plain_kernels():
        built = build(loaded, load=load, to_run=False)
    for part in built.outside:
        say(f"note: {part.words()}; {'loaded' if load else 'not loaded, so not checked'}")
    for warning in built.warnings:
        say(f"note: {warning}")
    whole = load or not built.outside
    warnings: list[str] = []
    if whole:
        with naming(path, overrides), plain_kernels():
            lines, warnings = preview(built, plain=not prints_signs(sys.stdout.encoding))
        for line in lines:
            say(line)
        for warning in warnings:
            say(f"warning: {warning}")
    parts = built.parts
    state = "valid, but a run would not show what it is asked for" if warnings else "good"
    say(
        f"{path}: {state}. {counted(len(parts.mirrors), 'mirror')}, "
        f"{counted(len(parts.inputs), 'connection')}, "
        f"{counted(parts.clock.n_frames, 'frame')} of {1e3 * parts.clock.frame_s:g} ms."
    )
    say(f"A run takes {cost_of(loaded).words()}.")
    if why := no_compiler():
        say(f"note: {why}, so a run takes the plain kernels, some fifty times longer")
    if warnings:
        ctx.exit(MISSED)


MOST_THREADS = 1024
"""More than any machine has processors; what this one has is seen when it runs."""


@cli.command()
@click.argument("scenario")
@click.option("--out", "out", required=True, metavar="DIR", help="Folder for the results.")
@OVERRIDE
@click.option("--seed", type=click.IntRange(0, 2**32 - 1), help="Instead of the scenario's.")
@click.option("--overwrite", is_flag=True, help="Replace an existing result folder.")
@click.option(
    "--threads", type=click.IntRange(1, MOST_THREADS),
    help="Threads of the compiled kernels, at most one for each processor that this process may "
    "use; as many as there are processors and work if left out.",
)
@click.option("--pdf", is_flag=True, help="Write report.pdf too (extra `pdf`).")
@click.option("--most-memory", type=click.FloatRange(0, min_open=True), metavar="GB",
              help="Refuse a run that needs more; 80 % of the machine's if left out.")  # fmt: skip
@click.option("--most-hours", type=click.FloatRange(0, min_open=True), metavar="H",
              help="Refuse a run that takes longer on one processor; 24 if left out.")  # fmt: skip
@click.option("--at-year", "at_year", type=click.FloatRange(0, 100, min_open=True), metavar="Y",
              help="Start at this age of the switch's [life]: aged, aimed and dimmed as it then "
              "is.")  # fmt: skip
@click.pass_context
def run(
    ctx: click.Context,
    scenario: str,
    out: str,
    overrides: tuple[str, ...],
    seed: int | None,
    overwrite: bool,
    threads: int | None,
    pdf: bool,
    most_memory: float | None,
    most_hours: float | None,
    at_year: float | None,
) -> None:
    """Run SCENARIO (a file, or a name from `list`) and file its results in DIR."""
    from sim.cli.asked import asked_by
    from sim.cli.show import progress_bar, summary
    from sim.scenario.gallery import find

    path = find(scenario)
    chosen = (*overrides, *(() if seed is None else (f"seed={seed}",)))
    from sim.assembly.cost import Budget, default_budget
    from sim.foundations.files.filing import check_output
    from sim.kernels.threads import available
    from sim.scenario.model import load_scenario
    from sim.studies.run.run import run as run_scenario

    if pdf:
        from sim.report.pdf import require_pdf

        require_pdf()
    check_output(Path(out), kind="run", overwrite=overwrite)
    loaded = load_scenario(path, chosen)
    if threads is not None and threads > (most := available()):
        say(
            f"note: --threads {threads}: this process may use {most} "
            f"processor{'s' if most > 1 else ''}, so {most} will do",
            err=True,
        )
        threads = most
    usual = default_budget()
    budget = Budget(most_memory or usual.memory_gb, most_hours or usual.hours)
    with naming(path, chosen), progress_bar(loaded.duration_ms) as tell:
        asked = asked_by(ctx, chosen)
        condition = None
        if at_year is not None:
            from sim.studies.life.start import start_at

            loaded, condition = start_at(loaded, at_year)
        result = run_scenario(
            loaded, tell, threads=threads, asked=asked, budget=budget, condition=condition
        )
    with showing(result.write(out, overwrite=overwrite, pdf=pdf)):
        summary(result)
    if not result.met:
        ctx.exit(MISSED)
