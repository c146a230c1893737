"""The page as a PDF: the same page, laid out by its own rules for print."""

from pathlib import Path

from sim.foundations.errors import OutputError

MOST_PAGES = 5
"""What a filed report of a run may take, with its annex."""


def require_pdf() -> None:
    """Check that a PDF can be written.

    Raises
    ------
    OutputError
        If the library is missing, or a library that it needs.
    """
    try:
        import weasyprint  # noqa: F401
    except (ImportError, OSError) as exc:
        raise OutputError(
            f'--pdf needs the "pdf" extra: pip install "mirrorloop[pdf]" ({exc})'
        ) from exc


def pdf_of(page: Path) -> bytes:
    """Return a page of this project as a PDF."""
    require_pdf()
    from weasyprint import HTML

    return bytes(HTML(filename=str(page)).write_pdf())
