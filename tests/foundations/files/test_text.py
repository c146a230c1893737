"""Text of users is data, wherever it is shown."""

import csv
import io

import pytest

from sim.foundations.files.text import counted, csv_text, shown, shown_lines


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("plain µrad, [/red] $x^$", "plain µrad, [/red] $x^$"),
        ("\x1b[31mred\x07", "\\x1b[31mred\\x07"),
        ("a\nb", "a\\nb"),
        ("\x9b2J", "\\x9b2J"),
        ("right\u202eleft", "right\\u202eleft"),
        ("half \udc80", "half \\udc80"),
    ],
)
def test_what_cannot_be_displayed_is_escaped(text, expected):
    assert shown(text) == expected
    assert shown_lines(text) == expected.replace("\\n", "\n")


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("=1+1", "'=1+1"), ("+1+1", "'+1+1"), ("@SUM(A1)", "'@SUM(A1)"), ("-2+3", "'-2+3"),
        ("\t=1", "'\t=1"), ("-2.5e-3", "-2.5e-3"), ("+1", "+1"), ("plain", "plain"), ("", ""),
    ],
)  # fmt: skip
def test_no_cell_starts_a_formula(text, expected):
    assert csv_text(text) == expected
    row = io.StringIO()
    csv.writer(row).writerow([csv_text(text), 1])
    assert next(csv.reader(io.StringIO(row.getvalue()))) == [expected, "1"]


@pytest.mark.parametrize(
    ("count", "noun", "plural", "words"),
    [
        (0, "mirror", None, "0 mirrors"),
        (1, "mirror", None, "1 mirror"),
        (1.0, "year", None, "1 year"),
        (0.5, "year", None, "0.5 years"),
        (12345678, "frame", None, "12345678 frames"),
        (1, "axis", "axes", "1 axis"),
        (2, "axis", "axes", "2 axes"),
    ],
)
def test_a_noun_agrees_with_its_count(count, noun, plural, words):
    """Common practice of English: one is singular, all else, nought and fractions too, plural."""
    assert counted(count, noun, plural) == words
