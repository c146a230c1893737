"""The page: whole, escaped, fast, and honest in words."""

import re
import time
from html.parser import HTMLParser

import numpy as np
import pytest
from matplotlib.figure import Figure

from sim.foundations.files.text import shown
from sim.mechanics.shock_spectrum import ResponseSpectrum
from sim.report.drawing import finish
from sim.report.page import page_of
from sim.report.thin import bin_starts, thin, thin_signed
from sim.report.view import ReportView
from sim.results.hold import MetricsParams
from sim.results.limits import LimitsParams, check_limits
from sim.results.metrics import evaluate
from sim.results.ranking import rank
from sim.results.traces import SpotImages
from sim.results.verdict import verdict_of
from tests.made_traces import made_epoch, made_traces

PORTS = 8


def made_view(n_intervals=100, ports=PORTS, *, shaken=True, switched=True, **changes):
    """Return a view of an invented run: a switch at 20 ms, a shock, a warming bench."""
    rng = np.random.default_rng(5)
    ticks, n_mirrors, interval = n_intervals * 4, 2 * ports, 4
    tick_s = 1e-3 / interval
    t = tick_s * np.arange(1, ticks + 1)
    error = 6e-6 * rng.normal(size=(ticks, n_mirrors, 2))
    error[:, -1] += 25e-6
    if switched:
        since = np.clip(t - 20e-3, 0, None)[:, None, None]
        throw = 3e-3 * rng.normal(size=(n_mirrors, 2))
        pace = 1.2e-3 * (1 + 0.2 * rng.random((n_mirrors, 1)))
        error += (t > 20e-3)[:, None, None] * throw * np.exp(-since / pace)
    shock = np.zeros((ticks, 3))
    if shaken:
        at = (t > 60e-3) & (t < 71e-3)
        shock[at, 2] = 50 * np.sin(np.pi * (t[at] - 60e-3) / 11e-3)
        shock[at, 0] = -0.2 * shock[at, 2]
        error[..., 0] += 1e-6 * shock[:, 2:]
    form = 2.0e6 * rng.uniform(0.8, 1.2, ports)
    square = (error**2).sum(axis=-1)
    excess = form * (square[:, :ports] + square[:, ports:])
    params = MetricsParams(
        tolerance_urad=60.0, dwell_ms=5.0, hold_from_ms=50.0, outage_excess_db=0.5
    )

    def blocks(values):
        return values.reshape(n_intervals, interval, *values.shape[1:])

    picked = blocks(shock)
    rows = np.abs(picked).argmax(axis=1)[:, None]
    warm = np.linspace(0, 3, n_intervals, dtype=np.float32)
    traces = made_traces(
        error,
        excess,
        tolerance_rad=60e-6,
        outage_db=0.5,
        interval_ticks=interval,
        tick_s=tick_s,
        acceleration_m_s2=picked[:, -1].astype(np.float32),
        acceleration_peak_m_s2=np.take_along_axis(picked, rows, axis=1)[:, 0].astype(np.float32),
        temperature_k=warm if shaken else 0 * warm,
        sensor_rad=np.stack([4e-6 * warm, -2e-6 * warm**2], axis=-1) * shaken,
    )
    epochs = [made_epoch(0.0, n_mirrors, ports, commanded=False, aligned=2.1)]
    if switched:
        aligned = 2.0 + 0.3 * rng.random(ports)
        turned = np.roll(np.arange(ports), 1)
        epochs.append(made_epoch(20e-3, n_mirrors, ports, outputs=turned, aligned=aligned))
    figures = evaluate(traces, epochs, params, ports=ports)
    limits = LimitsParams(settling_max_ms=8.0, max_urad=80.0, coupling_max_db=2.5, outage_ms=0.0)
    y, x = np.mgrid[:24, :24]
    centres = 11.5 + rng.normal(size=(3, n_mirrors, 2))
    spots = 380 * np.exp(
        -((x - centres[..., 0, None, None]) ** 2 + (y - centres[..., 1, None, None]) ** 2) / 6.5
    )
    images = SpotImages(
        ("before the command", "first frame after the command", "peak of the shock"),
        np.array([19e-3, 21e-3, 65e-3]),
        rng.poisson(32 + spots).astype(np.uint16),
    )
    frequencies = np.geomspace(5, 2000, 60)
    spectrum = 50 * np.minimum(1.7, 0.02 * frequencies)[:, None] * [0.2, 0.0, 1.0]
    rows = rank(traces, epochs, params, ports=ports)
    checked = check_limits(figures, limits)
    parts = {
        "title": "Harrow Point: switch, then a shock",
        "question": "Does the light come back in 8 ms, and does the shock put it out again?",
        "figures": figures,
        "limits": checked,
        "verdict": verdict_of(checked, rows.culprits, []),
        "rows": rows,
        "traces": traces,
        "epochs": epochs,
        "images": images,
        "scenario_toml": 'title = "Harrow Point"\nseed = 1\n\n[mirror]\nresonance_x_hz = 700.0\n',
        "provenance": {"version": "0.1", "seed": 1, "packages": {"numpy": "2.4", "scipy": "1.17"}},
        "notes": ["The mirrors' spread is an assumption: 5 % of resonance."],
        "shock_spectrum": ResponseSpectrum(frequencies, spectrum, 10.0, 1000.0, 1e4)
        if shaken
        else None,
        "outage_excess_db": 0.5,
        "ports": ports,
    }
    return ReportView(**(parts | changes))


class Page(HTMLParser):
    """What a page is made of: its text, its addresses, and whether its tags close."""

    EMPTY = frozenset({"meta", "img", "br"})

    def __init__(self, html):
        super().__init__()
        self.open, self.addresses, self.text = [], [], ""
        self.tags = []
        self.feed(html)

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.addresses += [v for k, v in attrs if k in ("src", "href")]
        if tag not in self.EMPTY:
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if self.open and self.open[-1] != "style":
            self.text += " ".join(data.split()) + " "


@pytest.fixture(scope="module")
def page():
    return Page(page_of(made_view()))


def test_page_is_whole_and_needs_nothing_else(page):
    assert page.open == []
    assert len(page.addresses) == page.tags.count("img") == 9
    assert all(a.startswith("data:image/svg+xml;base64,") for a in page.addresses)
    assert "script" not in page.tags and "link" not in page.tags


def test_verdicts_and_cautions_are_in_words(page):
    view = made_view()
    missed = sum(not row["met"] for row in view.limits)
    assert 0 < missed < len(view.limits)
    assert f"Missed {missed} of {len(view.limits)}: " in page.text
    for words in ("IEC 60825-1", "IEC 60825-2", "100 V", "does not replace measurement",
                  "qualified people", "5 % of resonance", "scattered light"):  # fmt: skip
        assert words in page.text
    count = view.figures["pointing"]["p99_count"]
    assert count == 50 * 2 * PORTS and f"p99 of {count} samples" in page.text


def test_text_is_escaped():
    html = page_of(made_view(title="<script>alert(1)</script>", notes=["a < b & c"]))
    assert "<script" not in html and "&lt;script&gt;" in html and "a &lt; b &amp; c" in html


@pytest.mark.parametrize("mark", "\u202e\u2066\u200f\u061c\x1b\x9b\u2028\ufeff")
def test_no_text_of_users_turns_the_direction_of_a_page(mark):
    """The characters of the Unicode bidirectional algorithm (UAX 9, 2), and control characters."""
    html = page_of(made_view(title=f"left{mark}right", notes=[f"a{mark}b"]))
    assert mark not in html and f"left{shown(mark)}right" in html and f"a{shown(mark)}b" in html


def test_quiet_run_leaves_out_what_it_has_not():
    nothing = verdict_of([], {}, [])
    page = Page(
        page_of(
            made_view(shaken=False, switched=False, images=None, limits=[], verdict=nothing)
        )
    )
    assert len(page.addresses) == 3
    assert "No limit was asked for" in page.text
    assert "no settling time" in page.text and "None" not in page.text


def test_empty_hold_and_unsettled_mirrors_render():
    view = made_view()
    params = MetricsParams(
        tolerance_urad=60.0, dwell_ms=70.0, hold_from_ms=99.5, outage_excess_db=0.5
    )
    figures = evaluate(view.traces, view.epochs, params, ports=PORTS)
    limits = check_limits(figures, LimitsParams(settling_max_ms=8.0))
    rows = rank(view.traces, view.epochs, params, ports=PORTS)
    page = Page(page_of(view._replace(figures=figures, limits=limits, rows=rows)))
    assert "holds no whole sampling interval" in page.text
    assert "never" in page.text and "no figure" in page.text and "None" not in page.text


def test_command_inside_hold_is_said():
    view = made_view()
    params = MetricsParams(
        tolerance_urad=60.0, dwell_ms=5.0, hold_from_ms=0.0, outage_excess_db=0.5
    )
    figures = evaluate(view.traces, view.epochs, params, ports=PORTS)
    text = Page(page_of(view._replace(figures=figures))).text
    assert "Commands inside the hold interval: 1." in text
    assert "a connection is dark" in text  # the transient goes beyond 40 dB


def test_thinning_keeps_peaks():
    values = np.zeros((100_001, 2))
    values[[7, 54_321, 100_000], [0, 1, 0]] = [3.0, -9.0, 5.0]
    starts = bin_starts(len(values))
    assert len(starts) <= 2000
    high = thin(values, starts, np.maximum.reduceat)
    assert sorted(high[high > 0]) == [3.0, 5.0]
    assert thin_signed(values, starts).min() == -9.0
    assert thin(values[:50], bin_starts(50), np.maximum.reduceat) is not None


def test_full_switch_is_drawn_in_four_seconds():
    view = made_view(4000, 96)
    start = time.process_time()  # others may use the machine too
    html = page_of(view)
    took = time.process_time() - start
    assert took < 4.0, took
    assert len(html) < 3_000_000
    assert re.search(r"share a point", html)


def test_run_without_light_is_drawn():
    view = made_view()
    traces = made_traces(
        np.full((80, 2, 2), 3e-6), np.zeros((80, 0)), tolerance_rad=60e-6, outage_db=0.5
    )
    epochs = [made_epoch(0.0, 2, 0)]
    params = MetricsParams(
        tolerance_urad=60.0, dwell_ms=1.0, hold_from_ms=0.0, outage_excess_db=0.5
    )
    figures = evaluate(traces, epochs, params, ports=1)
    text = Page(
        page_of(view._replace(traces=traces, epochs=epochs, figures=figures, images=None, ports=1))
    ).text
    assert "No connection of the run carries light" in text and "None" not in text


def test_short_logarithmic_axes_have_labels_between_powers_of_ten():
    named = {}
    for low, high in ((0.3, 2.0), (3.0, 120.0), (0.01, 100.0)):
        figure = Figure()
        axes = figure.subplots()
        axes.set(yscale="log", ylim=(low, high))
        finish(figure)
        ticks = axes.yaxis.get_minorticklabels()
        named[low] = {t.get_text() for t in ticks if low <= t.get_position()[1] <= high} - {""}
    assert named == {0.3: {"0.3", "0.4", "0.5", "0.7", "2"}, 3.0: {"5", "20", "50"}, 0.01: set()}
