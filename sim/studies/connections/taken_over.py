"""What other studies have found, in the place of what `switch.budget` states."""

import json
from pathlib import Path
from typing import Final

from sim.foundations.errors import OutputError
from sim.foundations.files.reading import read_bytes, read_text
from sim.foundations.files.text import counted

DIGITS: Final = 5
"""Of what is taken over from a life: far finer than a life is known, and headings stay legible."""


def budget_of_life(folder: Path) -> tuple[str, ...]:
    """Return the end of a life, from its `life.json`, as overrides of `switch.budget`.

    Raises
    ------
    OutputError
        If the folder holds no life.
    """
    path = folder / "life.json"
    try:
        budget = json.loads(read_bytes(path, fault=OutputError))["budget"]
        figures = {key: float(f"{float(value):.{DIGITS}g}") for key, value in budget.items()}
        return tuple(f"switch.budget.{key}={value!r}" for key, value in figures.items())
    except (ValueError, KeyError, TypeError, AttributeError):
        raise OutputError(f"{path}: is not the result of a life") from None


def life_words(folder: Path, design_years: float) -> str:
    """Return how long the life was that is taken for the end of life, and whether too short.

    Parameters
    ----------
    folder : Path
        Of the life.
    design_years : float
        `life.years` of the scenario that takes it over; that of the life counts if it is longer.

    Raises
    ------
    OutputError
        If the folder holds no life.
    """
    path = folder / "life.json"
    try:
        found = json.loads(read_bytes(path, fault=OutputError))
        years = found.get("years")
        if not years:
            return "The end of life is that of a life whose length is not filed."
        lived, design = float(years[-1]), max(design_years, float(found.get("design_years", 0.0)))
    except (ValueError, KeyError, TypeError, AttributeError):
        raise OutputError(f"{path}: is not the result of a life") from None
    text = f"The end of life is that of a life of {counted(lived, 'year')}"
    if lived < 0.999 * design:
        text += f": too short, life.years is {design:g}, so what the years do is understated"
    return f"{text}."


def servo_of_run(folder: Path) -> float:
    """Return the residual error of the loops, per axis: its radial rms over sqrt(2). [urad]

    Of a run: bias and jitter are both in it; over a population of mirrors both are draws. Of a
    prediction: the jitter alone, predicted from spectra.

    Raises
    ------
    OutputError
        If the folder holds no results of a run and no prediction, or no such figure.
    """
    try:
        if (folder / "prediction.json").is_file():
            text = read_text(folder / "prediction.json", fault=OutputError)
            rms = json.loads(text)[-1]["predicted_urad"]
        else:
            text = read_text(folder / "results.json", fault=OutputError)
            rms = json.loads(text)["pointing"]["rms_urad"]
        return round(float(rms) / 2**0.5, 4)
    except (OutputError, ValueError, KeyError, IndexError, TypeError, RecursionError) as exc:
        raise OutputError(
            f"--servo-from {folder}: no pointing rms of a run there, and no prediction"
        ) from exc


def overrides_taken_over(servo_from: str | None, life_from: str | None) -> tuple[str, ...]:
    """Return overrides from the folders of a run or prediction, and of a life, where given."""
    found: tuple[str, ...] = ()
    if life_from is not None:
        found += budget_of_life(Path(life_from))
    if servo_from is not None:
        found += (f"switch.budget.servo_urad={servo_of_run(Path(servo_from))!r}",)
    return found
