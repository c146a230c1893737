"""One table of figures, and all that reads it."""

from pathlib import Path

import numpy as np
import pytest

from sim.cli.screen import prints_signs
from sim.cli.show import limit_line
from sim.results.figures_page import BEGIN, FIGURES_TABLE
from sim.results.hold import MetricsParams
from sim.results.limits import LimitsParams, check_limits
from sim.results.metrics import evaluate
from sim.results.sway import sway_figures
from sim.results.table import FIGURE_OF, FIGURES, LIMITED, Figure
from sim.results.units import DECIMALS, number, number_beside, with_signs
from tests.made_traces import made_epoch, made_traces

PAGE = Path(__file__).parents[2] / "docs" / "metrics.md"
PARAMS = MetricsParams(tolerance_urad=20.0, dwell_ms=1.0, hold_from_ms=0.0, outage_excess_db=1.0)


def a_run():
    error = np.full((100, 2, 2), 4e-6)
    traces = made_traces(error, np.zeros((100, 1)), tolerance_rad=20e-6, outage_db=1.0)
    return evaluate(traces, [made_epoch(0.0, 2, 1)], PARAMS, ports=1,
                    sway_m=np.array([1e-3, 0.0, 4e-3]), clearance_mm=(5.0, 5.0, 4.0))  # fmt: skip


def test_paths_limits_and_symbols_are_unique_and_every_path_leads_to_a_figure():
    figures = a_run()
    for names in ([f.path for f in FIGURES], [f.symbol for f in FIGURES], list(LIMITED)):
        assert len(set(names)) == len(names)
    for figure in FIGURES:
        figure.of(figures)  # a path that leads nowhere is a KeyError
        assert figure.path.endswith(figure.unit.replace("%", "pct").replace("dB", "db")), figure
    assert set(LIMITED) == set(LimitsParams.model_fields)


def test_every_number_of_the_result_is_in_the_table_or_explains_one():
    # What may stand in results.json without being a figure: settings, counts and what depends.
    others = {
        "settling": {"tolerance_urad", "dwell_ms", "resolution_ms", "commands", "count",
                     "per_command", "max_of_those_ms", "slowest"},
        "time_to_light": {"limit_db", "dwell_ms", "count", "max_of_those_ms", "slowest"},
        "pointing": {"p99_count"}, "coupling": {"outage_limit_db", "p99_count"},
        "lost": {"mirrors", "share_pct", "frames_by_cause", "worst_mirror", "worst_mirror_frames"},
        "wrong_spots": {"mirrors"}, "stops": {"mirrors"},
        "sway": {"x_mm", "y_mm", "z_mm", "clearance_mm", "over_clearance"},
    }  # fmt: skip
    figures = a_run()
    for group, known in others.items():
        for key in set(figures[group]) - known:
            assert f"{group}.{key}" in FIGURE_OF


def test_the_page_is_not_stale():
    page = PAGE.read_text(encoding="utf-8")
    current = FIGURES_TABLE.renewed(page)
    assert page == current, "run: python -m sim.results.figures_page docs/metrics.md"
    changed = page.replace("| `e_rms` |", "| `e` |")
    assert changed != page and FIGURES_TABLE.renewed(changed) == page
    with pytest.raises(ValueError, match="must hold the lines"):
        FIGURES_TABLE.renewed(page.replace(BEGIN, ""))


def test_a_value_at_its_limit_meets_it_either_way():
    for worse, inside, outside in (("higher", 0.9, 1.1), ("lower", 1.1, 0.9)):
        figure = Figure("a.b", "what", "x", "", "all", worse=worse)
        assert figure.meets(inside, 1.0) and figure.meets(1.0, 1.0)
        assert not figure.meets(outside, 1.0) and not figure.meets(None, 1.0)


def test_headings_begin_with_a_capital_letter():
    figure = Figure("a.b", "mirrors that never settled", "x", "", "all")
    assert figure.heading == "Mirrors that never settled"


def test_decimals_go_by_the_unit():
    got = [number(1.23456, unit) for unit in ("dB", "urad", "ms", "mm", "%")]
    assert got == ["1.235 dB", "1.2 µrad", "1.23 ms", "1.235 mm", "1.2 %"]
    assert number(1.23456, "urad", plain=True) == "1.2 urad"
    assert {figure.unit for figure in FIGURES} - {""} <= set(DECIMALS)


def test_what_rounds_to_zero_is_not_called_zero():
    assert number(0.0, "dB") == "0.000 dB"
    assert number(0.0004, "dB") == "< 0.001 dB"
    assert number(-0.01, "urad") == "> -0.1 µrad"


def test_numbers_without_fixed_decimals_keep_significant_digits():
    values = (None, float("nan"), 0.0, 3, 12345.6, 123.4, 12.34, 1.234, 0.1234, 0.00012, -1.5)
    assert [number(v) for v in values] == [
        "no figure", "no figure", "0", "3", "12346", "123", "12.3", "1.23", "0.123", "0.00012",
        "-1.50"]  # fmt: skip


def test_three_digits_from_a_thousandth_to_a_thousand():
    values = (999.4, 1000.4, 45.67, 0.00512, 0.001, 0.00099)
    assert [number(v) for v in values] == ["999", "1000", "45.7", "0.00512", "0.00100", "0.00099"]


def test_a_value_beside_its_limit_shows_its_side():
    assert number_beside(80.04, 80.0, "urad") == "80.04 µrad"
    assert number_beside(80.0, 80.0, "urad") == "80.0 µrad"
    assert number_beside(79.999, 80.0, "urad") == "79.999 µrad"
    assert number_beside(0.50000001, 0.5, "dB") == "0.50000001 dB"
    assert number_beside(0.5 + 1e-12, 0.5, "dB") == "0.500000000 dB"  # nine decimals at most
    assert number_beside(None, 0.5, "dB") == "no figure"
    assert number_beside(3, 3, "") == "3"


def test_lines_of_limits_fall_back_to_ascii():
    row = {"name": "rms_urad", "limit": 50.0, "value": 61.26, "met": False}
    assert limit_line(row, plain=False) == "limit rms_urad: 61.3 µrad, ≤ 50 µrad: MISSED"
    assert limit_line(row, plain=True) == "limit rms_urad: 61.3 urad, <= 50 urad: MISSED"
    assert limit_line(row, plain=True).isascii()
    assert prints_signs("utf-8") and prints_signs("cp437")  # has µ, ², ≤ and ≥
    assert not prints_signs("ascii") and not prints_signs("latin-1") and not prints_signs("?")


def test_sway_against_clearance():
    figures = a_run()
    assert figures["sway"] == {
        "x_mm": 1.0, "y_mm": 0.0, "z_mm": 4.0, "max_mm": 4.0, "clearance_mm": [5.0, 5.0, 4.0],
        "clearance_pct": 100.0, "over_clearance": ["z"],
    }  # fmt: skip
    rows = check_limits(figures, LimitsParams(sway_max_mm=3.0))
    assert rows == [{"name": "sway_max_mm", "limit": 3.0, "value": 4.0, "met": False}]
    nothing = sway_figures(None, None)
    assert nothing["max_mm"] is None and nothing["over_clearance"] == []
    assert set(nothing) == set(figures["sway"])
    (row,) = check_limits({**figures, "sway": nothing}, LimitsParams(sway_max_mm=3.0))
    assert row["value"] is None and not row["met"]


@pytest.mark.parametrize(
    ("text", "printed"),
    [
        ("12 urad rms", "12 µrad rms"), ("Noise [urad], 3 us late", "Noise [µrad], 3 µs late"),
        ("[um]", "[µm]"), ("tell us why", "tell us why"), ("the sum um", "the sum um"),
        ("9.81 m/s^2", "9.81 m/s²"),
    ],
)  # fmt: skip
def test_units_are_printed_and_words_stay(text, printed):
    assert with_signs(text) == printed
