"""What the prediction files: rows for programs and a page for people."""

from typing import Any, Final

import numpy as np

from sim.report.spectrum_plot import residual_spectra
from sim.report.study_page import Section, StudyPage, Table
from sim.results.hold import hold_of
from sim.results.units import number
from sim.scenario.portable import portable_toml
from sim.studies.margins.codes import LEAST_SHARE, MIRRORS
from sim.studies.margins.contributors import ContributorRow, PredictionCheck
from sim.studies.margins.plant import plant_word
from sim.studies.margins.predict import MODEL_ERROR, STEPS_ERROR, TOGETHER, densities_of

ASSUMPTIONS: Final = (
    "Jitter, not bias: what does not change within the hold interval is not in it. Alignment and "
    "calibration leave a bias that no spectrum holds.",
    "Moves: what the last move leaves in the hold interval, from its path played on every mirror "
    "and the linear loop; earlier moves within the interval are not in it.",
    "Linear loops about the last aims (stiffened springs); contributors independent of each other, "
    "but for the DAC's steps. "
    "The error is that of the tilt at four instants of each frame; what lies above half the frame "
    "rate reaches the loop folded.",
    f"Steps of the DAC: up to {MIRRORS} mirrors are played in discrete time, with and without "
    "rounding, under noise of the other contributors' spectra; the white model, a twelfth of a "
    "squared step each frame, is scaled to what they show. A code that stands still counts as no "
    f"jitter. {TOGETHER}: twice the covariance with the other contributors, as its root with its "
    "sign; below zero where codes that stand still do not follow the noise. Steps that would leave "
    f"less than {100 * LEAST_SHARE:g} % of the other variance are taken as white.",
    "A law in whole numbers is that of its coefficients' words; its roundings are white noise of a "
    "twelfth of a squared unit each, inside the loop (a third if to zero). Left out: dead bands, "
    "limit cycles and saturated words, which `mirrorloop formats` looks for, and the half unit "
    "that rounding downward is low. Where readings are rounded to words, by the estimator or "
    "by the law, two runs differ by flips of their last bit: other contributors then look larger "
    "when simulated.",
    f"Model error: {100 * MODEL_ERROR:g} % of the jitter, {100 * STEPS_ERROR:g} % more as far as "
    "the DAC's steps make it: what plants drawn at random (250 to 1200 Hz, Q 5 to 50, 1 to 2 "
    "frames of latency, 11 to 16 bits) needed beyond the statistics of one run; docs/loops.md says "
    "how it was found, and how it held for plants drawn later.",
    "Disturbances other than drift and random walk are taken as the very history that the run "
    "plays, by its periodogram over the hold interval: a transient that is cut by the interval's "
    "ends leaks. A change of gain or resonance with temperature is not followed.",
)


LEAST_URAD: Final = 1e-3
START_DECAYS: Final = 4.0
"""Time constants of the slowest loop after which 2 % is left of what it found at the start."""


def start_words(c: PredictionCheck) -> str:
    """Say that the hold interval begins before the start has decayed; empty if it does not."""
    built, decays_s = c.study.built, c.study.poles.decay_s
    clock = built.parts.clock
    hold = hold_of(built.resolved.metrics, 1e3 * clock.n_frames * clock.frame_s)
    needed_s = START_DECAYS * float(decays_s[np.isfinite(decays_s)].max(initial=0.0))
    if hold.from_s >= needed_s:
        return ""
    return (
        f"The hold interval begins {1e3 * hold.from_s:g} ms after the start of the run, before the "
        f"slowest loop has come to rest ({1e3 * needed_s:.0f} ms until 2 % is left). What the "
        "loops find at the start (alignment, calibration, where a drift stands) and take out "
        "within the interval is NOT in the prediction."
    )


def contributor_rows(c: PredictionCheck) -> list[dict[str, Any]]:
    """Return the rows of `prediction.json`, the total last."""
    return [
        {
            "contributor": row.name,
            "predicted_urad": row.predicted_urad,
            "simulated_urad": row.simulated_urad,
            "ratio": row.ratio,
            "plant": plant_word(c.study.built),
        }
        for row in (*c.rows, c.total)
    ]


def agrees(c: PredictionCheck) -> bool:
    """Whether the simulated total is near the predicted one."""
    return c.band.holds(c.total.ratio)


def predict_page(c: PredictionCheck) -> StudyPage:
    """Return the page."""
    built = c.study.built
    left = densities_of(built, c.study.loop, c.spectra)
    density = 1e12 * np.stack(
        [each[: c.spectra.inside].sum(axis=-1).mean(axis=-1) for each in left]
    )
    names = tuple(each.name for each in c.spectra.contributors)
    inside_hz = c.spectra.frequency_hz[: c.spectra.inside]
    x, y = 1e6 * c.spectra.reading_rad
    verdict = f"Simulated jitter {c.total.simulated_urad:.2f} urad against "
    verdict += f"{c.total.predicted_urad:.2f} urad predicted, ratio {c.total.ratio:.3f}"
    verdict += f" (agreement is {c.band.words})."
    return StudyPage(
        title=f"Residual: {built.resolved.title}",
        question="What is left of each source of error, and does the simulation say the same?",
        verdict=verdict if agrees(c) else verdict + " The simulation disagrees.",
        good=agrees(c),
        sections=[
            Section(
                "Contributors",
                [*filter(None, [start_words(c)]),
                 f"One reading scatters by {x:.1f} urad (x) and {y:.1f} urad (y), rms, measured "
                 f"on frames of still spots. Predicted mean excess loss from jitter: "
                 f"{number(c.prediction.total_db, 'dB')}."],
                [Table("Jitter, radial rms over mirrors",
                       ["Contributor", "Predicted [urad]", "Simulated [urad]", "Ratio"],
                       [_cells(row) for row in (*c.rows, c.total)])],
            ),
            Section(
                "Spectra",
                ["What the DAC's steps have in common with the rest has no spectrum here."]
                if TOGETHER in c.prediction.names else [],
                pictures=[residual_spectra(inside_hz, names, density)],
            ),
        ],
        notes=[*built.warnings, *ASSUMPTIONS],
        scenario_toml=portable_toml(built.resolved),
    )  # fmt: skip


def _cells(row: ContributorRow) -> list[str]:
    simulated = "not run" if row.simulated_urad is None else urad_text(row.simulated_urad)
    ratio = "" if row.ratio is None else f"{row.ratio:.3f}"
    return [row.name, urad_text(row.predicted_urad), simulated, ratio]


def urad_text(value_urad: float) -> str:
    """Return an error as a number, or that it is below `LEAST_URAD`."""
    if 0 < abs(value_urad) < LEAST_URAD:
        return f"< {LEAST_URAD:g}"
    return number(value_urad, "", 3)
