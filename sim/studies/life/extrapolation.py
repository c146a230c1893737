"""From a short test to a long answer: a law of ageing fitted to a file, and drawn beyond it."""

import datetime
import json
from pathlib import Path
from typing import Any, Final, NamedTuple

import matplotlib
import numpy as np
from matplotlib.figure import Figure

from sim.foundations.errors import ProfileError
from sim.foundations.files.filing import filed, put_page
from sim.foundations.files.text import counted
from sim.foundations.ports import Array
from sim.life.arrhenius import acceleration
from sim.life.laws import FAR, AgeingLaw, Kind, fit_law
from sim.mechanics.acceleration_csv import read_table
from sim.report.drawing import BLUE, INK, STYLE, VERMILION, Picture, finish
from sim.report.study_page import Section, StudyPage, Table, render_study
from sim.studies.run.provenance import NOTHING_ASKED, Request, now, provenance

KIND: Final = "extrapolation"
YEAR_H: Final = 8766.0
POINTS: Final = 200
UNITS: Final = {
    "amplitude": "unit of the shift", "tau_h": "h", "beta": "-", "exponent": "-",
    "activation_ev": "eV",
}  # fmt: skip
WORDS: Final = {
    "amplitude": "A, amplitude", "tau_h": "tau, time scale", "beta": "beta, exponent",
    "exponent": "n, exponent", "activation_ev": "Ea, activation energy",
}  # fmt: skip
LAWS: Final = {"kohlrausch": "A (1 - exp(-(h/tau)^beta))", "power": "A h^n"}


class Extrapolation(NamedTuple):
    """A law, what it is from, and what it says."""

    source: Path
    law: AgeingLaw
    hours: Array
    shift: Array
    celsius: Array
    at_c: float
    years: float
    column: str
    started: datetime.datetime

    @property
    def reach(self) -> float:
        """Effective hours asked for over the most that were measured. [-]"""
        energy = self.law.parameters.get("activation_ev", 0.0)
        asked = self.years * YEAR_H * float(acceleration(self.at_c, self.law.reference_c, energy))
        return asked / self.law.longest_h

    def results(self) -> dict[str, Any]:
        """Return what `extrapolation.json` holds."""
        years = np.linspace(0.0, self.years, 61)[1:]
        middle, low, high = self.law.predict(YEAR_H * years, self.at_c)
        return {
            "law": self.law.kind,
            "parameters": {
                name: {"value": value, "low": low_high[0], "high": low_high[1]}
                for (name, value), low_high in zip(
                    self.law.parameters.items(), self.law.intervals().values(), strict=True
                )
            },
            "reference_c": self.law.reference_c,
            "residual": self.law.residual,
            "measurements": len(self.hours),
            "at_c": self.at_c,
            "reach": self.reach,
            "years": years.tolist(),
            "shift": middle.tolist(),
            "low": low.tolist(),
            "high": high.tolist(),
        }


def extrapolate(
    file: str | Path, *, law: Kind = "kohlrausch", years: float, at_c: float,
    hours_column: str = "hours", shift_column: str = "shift_urad",
    temperature_column: str | None = None,
) -> Extrapolation:  # fmt: skip
    """Fit a law of ageing to a file of hours and shifts, and carry it on.

    Parameters
    ----------
    file : str or Path
        CSV with a header row.
    law : {"kohlrausch", "power"}
        A (1 - exp(-(h/tau)^beta)), or A h^n.
    years : float
        How far. [years]
    at_c : float
        Temperature of use; that of the test if no column names one. [degC]
    hours_column, shift_column, temperature_column
        Names of columns; with several temperatures Arrhenius' energy is fitted too.

    Raises
    ------
    ProfileError
        If the file cannot be used, or no law fits.
    """
    path = Path(file)
    names = [hours_column, shift_column, *([temperature_column] if temperature_column else [])]
    table = read_table(path, names)
    hours, shift = table.values[:, 0], table.values[:, 1]
    celsius = table.values[:, 2] if temperature_column else np.full(len(hours), at_c)
    if not (hours > 0).all():
        line = table.lines[int(np.argmax(hours <= 0))]
        raise ProfileError(f"{path}: line {line}: {hours_column} must be above 0")
    try:
        found = fit_law(hours, shift, celsius, law, at_c)
    except ProfileError as exc:
        raise ProfileError(f"{path}: {exc}") from exc
    return Extrapolation(path, found, hours, shift, celsius, at_c, years, shift_column, now())


def write_extrapolation(
    found: Extrapolation, folder: str | Path, *, overwrite: bool = False,
    asked: Request = NOTHING_ASKED,
) -> Path:  # fmt: skip
    """Write extrapolation.json and report.html; return the folder.

    Parameters
    ----------
    found : Extrapolation
        From `extrapolate`.
    folder : str or Path
        The result folder; written whole or not at all.
    overwrite : bool
        Whether an existing one may be replaced.
    asked : Request
        What led to it, to be filed.

    Returns
    -------
    Path
        The folder.

    Raises
    ------
    OutputError
        If the folder exists and may not be replaced, or cannot be written.
    """
    origin = provenance(None, found.started, asked)
    folder = Path(folder)
    with filed(folder, kind=KIND, overwrite=overwrite) as new:
        text = json.dumps(found.results() | {"provenance": origin}, indent=1, allow_nan=False)
        (new / "extrapolation.json").write_text(text, encoding="utf-8")
        put_page(new, lambda: render_study(_page(found)._replace(provenance=origin)))
    return folder


def verdict_of(found: Extrapolation) -> str:
    """Return what the law says, and how far it was carried."""
    r = found.results()
    text = (
        f"After {counted(found.years, 'year')} at {found.at_c:g} °C: {r['shift'][-1]:.4g} "
        f"({r['low'][-1]:.4g} to {r['high'][-1]:.4g}) in the unit of {found.column}, "
        f"{found.reach:.3g} times as long as was measured"
    )
    return f"{text}: far beyond the data" if found.reach > FAR else text


def _page(found: Extrapolation) -> StudyPage:
    intervals = found.law.intervals()
    rows = [
        [WORDS[name], f"{value:.5g} ({intervals[name][0]:.5g} to {intervals[name][1]:.5g})",
         UNITS[name]]
        for name, value in found.law.parameters.items()
    ]
    rows.append(["residual, standard deviation", f"{found.law.residual:.4g}", "unit of the shift"])
    return StudyPage(
        title=f"Ageing of {found.source.name}, carried on to {counted(found.years, 'year')}",
        question="What will the shift be, and how sure is that?",
        verdict=verdict_of(found),
        good=found.reach <= FAR,
        sections=[
            Section("Measured and carried on", pictures=[_picture(found)]),
            Section("The law", texts=[_words(found)], tables=[
                Table("Least squares, 95 % intervals", ["Parameter", "Value", "Unit"], rows),
            ]),
        ],
        notes=(
            "The interval holds if the law holds: no short test shows that another process does "
            "not set in later.",
            "Intervals come from the curvature of the fit at its optimum, parameters in their "
            "logarithms; where the data leave a parameter open they are wide and rough.",
            "Residuals are taken as independent and of one size.",
        ),
        scenario_toml="",
    )  # fmt: skip


def _words(found: Extrapolation) -> str:
    """Return the law in symbols."""
    text = f"Shift after h hours at {found.law.reference_c:g} °C: {LAWS[found.law.kind]}."
    if "activation_ev" not in found.law.names:
        return text
    return (
        f"{text} At another temperature T, h counts exp(Ea/k (1/T0 - 1/T)) times "
        f"(Arrhenius, T0 = {found.law.reference_c:g} °C, both in kelvin)."
    )


def _picture(found: Extrapolation) -> Picture:
    until_h = found.years * YEAR_H
    energy = found.law.parameters.get("activation_ev", 0.0)
    effective = found.hours * acceleration(found.celsius, found.law.reference_c, energy)
    hours = np.geomspace(min(effective.min(), until_h) / 2.0, until_h, POINTS)
    middle, low, high = found.law.predict(hours, found.at_c)
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(7.4, 3.6), layout="constrained")
        axes = figure.subplots()
        inside = hours <= found.law.longest_h
        axes.fill_between(hours, low, high, color="#cfe3f1", lw=0, label="95 % of the law")
        axes.plot(hours[inside], middle[inside], color=BLUE, lw=1.8, label="law, measured")
        axes.plot(hours[~inside], middle[~inside], color=VERMILION, lw=1.6, ls="--",
                  label="law, extrapolated")  # fmt: skip
        axes.plot(effective, found.shift, "o", color=INK, ms=4, lw=0, label="measurements")
        axes.axvline(found.law.longest_h, color=INK, lw=0.9, ls=":")
        axes.set_xscale("log")
        axes.set_xlabel(f"age at {found.at_c:g} °C [h]")
        axes.set_ylabel(f"shift, unit of {found.column}")
        axes.set_ylim(min(0.0, float(found.shift.min())), 1.6 * float(max(middle.max(), 1e-12)))
        figure.legend(loc="outside lower center", ncols=4)
        address = finish(figure)
    return Picture(
        address, "Measured shifts, the fitted law, and its extrapolation.",
        f"{counted(len(found.hours), 'measurement')}. Right of the dotted line nothing was "
        "measured. Measurements at other temperatures stand at their effective age.",
    )  # fmt: skip
