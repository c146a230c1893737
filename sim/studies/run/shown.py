"""What keeps a run that met its limits from showing it."""

from sim.results.events import still_out
from sim.results.sway import strikes
from sim.studies.played.required_spectrum import missed_spectra
from sim.studies.run.make import Run


def reasons_against(made: Run) -> tuple[str, ...]:
    """Return, in words, why a run does not pass though it meets its limits; empty if it does.

    A loop diverged, the core struck its frame, what an event darkened was dark at the end, or an
    event did not reach the response spectrum that the scenario's requirements ask for.
    """
    return (
        *made.diverging, *strikes(made.figures["sway"]), *still_out(made.figures),
        *missed_spectra(made.built),
    )  # fmt: skip
