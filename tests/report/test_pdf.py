"""The page as a PDF: the same page, short enough to file."""

import re
import sys

import pytest

from sim.errors import OutputError
from sim.report import render
from sim.report.pdf import MOST_PAGES, pdf_of, require_pdf
from tests.report.test_report import made_view


def test_a_missing_library_is_named_with_its_extra(monkeypatch):
    monkeypatch.setitem(sys.modules, "weasyprint", None)
    with pytest.raises(OutputError, match=r'--pdf needs the "pdf" extra: pip install'):
        require_pdf()


def test_the_page_prints_on_five_pages_at_most(tmp_path):
    pytest.importorskip("weasyprint")
    page = tmp_path / "report.html"
    page.write_text(render(made_view(ports=96)), encoding="utf-8")
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
        re.search("<h1>(.*)</h1>", render(made_view(provenance={"overrides": o}, images=None)))[1]
        for o in ([], ["camera.signal_e=5000"])
    )
    assert plain != other and "camera.signal_e=5000" in other
