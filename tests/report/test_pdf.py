"""The page as a PDF: the same page, short enough to file."""

import re
import sys

import pytest

from sim.foundations.errors import OutputError
from sim.report.page import page_of
from sim.report.pdf import MOST_PAGES, pdf_of, require_pdf
from tests.report.test_report import made_view


def test_a_missing_library_is_named_with_its_extra(monkeypatch):
    monkeypatch.setitem(sys.modules, "weasyprint", None)
    with pytest.raises(OutputError, match=r'--pdf needs the "pdf" extra: pip install'):
        require_pdf()


def test_the_page_prints_on_five_pages_at_most(tmp_path):
    pytest.importorskip("weasyprint")
    page = tmp_path / "report.html"
    page.write_text(page_of(made_view(ports=96)), encoding="utf-8")
    pdf = pdf_of(page)
    assert pdf.startswith(b"%PDF-")
    # The page tree counts its leaves (ISO 32000-1:2008, 7.7.3); objects may be compressed.
    from weasyprint import HTML

    document = HTML(filename=str(page)).render()
    assert 1 < len(document.pages) <= MOST_PAGES
    widths = {(round(p.width), round(p.height)) for p in document.pages}
    assert widths == {(794, 1123)}  # A4, 210 x 297 mm, at 96 px an inch


def test_headings_tell_pages_of_different_overrides_apart():
    plain, other = (
        re.search("<h1>(.*)</h1>", page_of(made_view(provenance={"overrides": o}, images=None)))[1]
        for o in ([], ["camera.signal_e=5000"])
    )
    assert plain != other and "camera.signal_e=5000" in other


def test_a_heading_of_long_overrides_stays_short_and_the_page_lists_them_in_full():
    long = ['controller={kind="pid",proportional=0.1,integral_per_frame=0.2,derivative=0.0,x=1}']
    page = page_of(made_view(provenance={"overrides": long + [f"seed={i}" for i in range(6)]},
                            images=None))  # fmt: skip
    heading = re.search("<h1>(.*)</h1>", page)[1]
    assert "derivative" not in heading and "..., seed=0, seed=1, seed=2, and 3 more]" in heading
    assert "derivative=0.0,x=1}" in page
