"""The part of a page in docs/ that is made by a program: found by its marks, and made anew."""

from collections.abc import Callable, Iterable
from pathlib import Path
from typing import NamedTuple


class MadePart(NamedTuple):
    """What stands between two marks of a page, or below one."""

    begin: str
    """The line before it, with its end."""
    end: str
    """The line behind it; empty if it reaches to the end of the page."""
    text: Callable[[], str]
    """Makes it."""

    def renewed(self, page: str) -> str:
        """Return the page with this part made anew.

        Raises
        ------
        ValueError
            If a mark is missing.
        """
        before, begin, rest = page.partition(self.begin)
        _, end, after = rest.partition(self.end) if self.end else ("", "", "")
        if not begin or end != self.end:
            marks = " and ".join(mark.strip() for mark in (self.begin, self.end) if mark)
            raise ValueError(f"the page must hold the lines {marks}")
        return f"{before}{begin}{self.text()}{end}{after}"

    def renew(self, paths: Iterable[str]) -> None:
        """Make this part of some files anew.

        Raises
        ------
        ValueError
            If a mark is missing; that file stays as it is.
        """
        for path in map(Path, paths):
            path.write_text(self.renewed(path.read_text(encoding="utf-8")), encoding="utf-8")
