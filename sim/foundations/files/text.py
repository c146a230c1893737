"""Text of users as data: nothing in it moves a cursor, starts a formula or breaks an encoding."""

import re
import unicodedata
from typing import Any

FORMULA: tuple[str, ...] = ("=", "+", "-", "@", "\t", "\r")
"""A table program takes a cell that starts so for a formula."""
HIDDEN = ("Cc", "Cf", "Cs", "Zl", "Zp")
"""Unicode categories that are not drawn, or that change how what follows is drawn: control
characters, format characters (with those that turn the direction), halves of characters, line and
paragraph separators."""


_NUMBER = r"[+-]?(?:\d[\d_]*(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?"
_RANGE = re.compile(rf"^({_NUMBER})\.\.({_NUMBER})(?:/(.*))?$")


def shown(text: Any) -> str:
    """Return text on one line, for a terminal or a page: what cannot be displayed is escaped."""
    text = str(text)
    if text.isprintable():
        return text
    return "".join(_escaped(c) if unicodedata.category(c) in HIDDEN else c for c in text)


def shown_lines(text: Any) -> str:
    """Return the same with line ends kept."""
    return "\n".join(shown(line) for line in str(text).split("\n"))


def csv_text(text: str) -> str:
    """Return text for a cell of a CSV file; an apostrophe goes before what a formula starts with.

    A spreadsheet then shows it as text. Plain numbers stay as they are.

    Source: "CSV injection", OWASP community pages (common practice, cited from memory).
    """
    if not text.startswith(FORMULA):
        return text
    try:
        float(text)
    except ValueError:
        return f"'{text}"
    return text


def range_of(text: str) -> tuple[str, str, str | None] | None:
    """Return both ends of LOW..HIGH and the count of LOW..HIGH/COUNT, as written; None if neither.

    The ends are decimal numbers; the count is whatever stands behind the slash.
    """
    found = _RANGE.match(text)
    return None if found is None else (found[1], found[2], found[3])


def counted(count: float, noun: str, plural: str | None = None) -> str:
    """Return a count with its noun: "1 mirror", "3 mirrors", "0.5 years".

    Parameters
    ----------
    count : float
        How many.
    noun : str
        Of one.
    plural : str, optional
        Of several; with an s if left out.

    Returns
    -------
    str
        A whole number in full, another in up to six digits.
    """
    text = str(int(count)) if count == int(count) else f"{count:g}"
    return f"{text} {noun if count == 1 else plural or f'{noun}s'}"


def _escaped(character: str) -> str:
    return character.encode("unicode_escape", "surrogatepass").decode("ascii")
