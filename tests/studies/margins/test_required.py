"""Margins are judged against what the scenario requires."""

import pytest

from sim.results.requirements import RequirementsParams
from sim.studies.margins.required import against_worst, verdict_words


def worst(ms, gain_db, phase_deg):
    named = {"mirror": 3, "name": "A03", "axis": "x"}
    values = {"ms": ms, "gain_margin_db": gain_db, "phase_margin_deg": phase_deg}
    return {key: None if v is None else {"value": v} | named for key, v in values.items()}


@pytest.mark.parametrize(
    ("figures", "missed"),
    [
        ((1.7, 6.0, 30.0), []),
        ((1.71, 6.0, 30.0), ["Ms"]),
        ((1.7, 5.9, 29.9), ["gain margin", "phase margin"]),
        ((1.2, None, None), []),
    ],
)
def test_a_margin_at_its_requirement_meets_it(figures, missed):
    found = against_worst(RequirementsParams(), worst(*figures))
    assert [row.words for row in found if not row.met] == missed


def test_the_verdict_names_figure_requirement_and_loop():
    found = against_worst(RequirementsParams(gain_margin_db=10.0), worst(1.5, 7.0, 60.0))
    text = verdict_words(found, 0)
    assert text == "Missed 1 of 3: gain margin 7.000 dB, at least 10 dB, in A03, axis x."
    good = verdict_words(against_worst(RequirementsParams(), worst(1.5, 7.0, None)), 0)
    assert good.startswith("Met: Ms 1.500, at most 1.7, in A03, axis x; gain margin 7.000 dB")
    assert "phase margin: no loop has one (at least 30 deg)" in good
    assert verdict_words(found, 4) == "Missed: 4 mirrors unstable."
    assert verdict_words(found, 1) == "Missed: 1 mirror unstable."


def test_ms_bounds_the_other_margins():
    # |1 + L| >= 1/Ms gives gain margin >= Ms/(Ms - 1) and phase margin >= 2 asin(1/(2 Ms))
    # (Astrom and Murray, Feedback Systems, section 9.3; from memory): the default Ms of 1.7 asks
    # for more than both other defaults do.
    import math

    params = RequirementsParams()
    ms = params.max_sensitivity
    assert 20 * math.log10(ms / (ms - 1)) > params.gain_margin_db
    assert math.degrees(2 * math.asin(1 / (2 * ms))) > params.phase_margin_deg
