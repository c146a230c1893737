"""A number before a noun goes through `counted`, so that one mirror is never "1 mirrors"."""

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from sim.foundations.files.text import counted

ROOT = Path(__file__).parents[1]
NO_NOUNS = {
    # Units have no plural.
    "ms", "us", "urad", "rms",
    # The value is a name or a phrase, and the next word its verb, or a word without a plural.
    "asks", "by", "carries", "depends", "differs", "does", "exceeds", "explains", "fails", "has",
    "is",
    "its", "jumps", "leaves", "less", "lies", "makes", "misses", "moves", "needs", "occurs",
    "plays", "reaches", "says", "stands", "starts", "takes", "this", "was", "series",
}  # fmt: skip
IN_PAGES = re.compile(
    rf"{{{{ [^}}]* }}}} (?!(?:{'|'.join(sorted(NO_NOUNS))}|samples|pixels)\b)[a-z]+s\b"
)
"""Samples are several where they are said, and windows have several pixels."""
WORD = re.compile(r" ([a-z]+s)\b")
WORD_LENGTH = "a word that does not do has more bits than one"
SEVERAL = "said of several only"
NEVER_ONE = {
    "len(near.ok) spots": "thousands, drawn for the table",
    "most instructions": "a spot takes thousands",
    "stage.most_cycles cycles": "a spot takes thousands",
    "cycles[1] cycles": "a spot takes thousands",
    "provenance['kernels'] kernels": "a word: compiled, plain",
    "ticks ticks": "at least two to a period (Nyquist)",
    "side pixels": "windows are wider",
    "least_side_px pixels": "windows are wider",
    "own[1] pixels": "windows are wider",
    "side ports": "a word: input, output",
    "name loss": "a word: mean, largest",
    "row['outputs'] outputs": "more than those looked at",
    "shape pulses": "a word: half-sine; said of several only",
    **dict.fromkeys(
        ("self.bits bits", "bits bits", "longest bits", "position.bits bits", "max(bits) bits",
         "worst.bits bits", "last.bits bits", "knee bits", "row.bits bits"), WORD_LENGTH,
    ),
    **dict.fromkeys(
        ("len(owners) parts", "header.count(name) times", "counts.max() times", "total loops",
         "starts[1] intervals", "stride ports", "count connections", "paths.count(path) times",
         "self.populations populations", "len(epoch.stages) stages", "len(plan.seeds) seeds"),
        SEVERAL,
    ),
    "len(names) + 2 measurements": "two more than a law has figures",
    "off[at] steps": "a part of a step: 0.3 steps",
    "rate_hz samples": "of a record that is too fast or too slow by far",
    "count samples": "more than a limit of millions",
    "len(cell) characters": "more than are quoted",
    "', '.join(map(str, lengths)) samples": "a list of numbers",
    "len(names) fields": "a file of so few columns is refused before",
    "factor times": "a factor, not a count",
    "corner.places places": "of a spot in a window: thousands",
    "2 * n loops": "even",
    "2 * int(np.prod(shape)) words": "even",
    "found.reach times": "a factor, not a count",
}  # fmt: skip
"""Value before a noun, as written -> why it is never 1."""


def plurals(source: str) -> Iterator[tuple[int, str]]:
    """Yield line and text of each value in an f-string that stands before a noun of several."""
    for node in ast.walk(ast.parse(source)):
        if not isinstance(node, ast.JoinedStr):
            continue
        for value, text in zip(node.values, node.values[1:], strict=False):
            if not (isinstance(value, ast.FormattedValue) and isinstance(text, ast.Constant)):
                continue
            found = WORD.match(text.value)
            if found is None or found[1] in NO_NOUNS or _never_one(value):
                continue
            yield value.value.lineno, ast.unparse(value.value) + found[0]


def _never_one(value: ast.FormattedValue) -> bool:
    """Whether it is a constant by its name, has decimals ("1.0 years"), or is `counted` already."""
    spec = "" if value.format_spec is None else ast.unparse(value.format_spec)
    inner = ast.unparse(value.value)
    return bool(
        re.search(r"\.[1-9]f", spec) or re.fullmatch(r"[A-Z_]+", inner) or "counted(" in inner
    )


@pytest.mark.parametrize("folder", ["sim", "controllers"])
def test_numbers_before_nouns_are_counted(folder):
    wrong = [
        f"{path.relative_to(ROOT)}:{line}: {text}"
        for path in sorted((ROOT / folder).rglob("*.py"))
        for line, text in plurals(path.read_text(encoding="utf-8"))
        if text not in NEVER_ONE
    ]
    assert not wrong, "write counted(value, noun), or say why it is never 1:\n" + "\n".join(wrong)


def test_numbers_before_nouns_in_pages_are_counted():
    wrong = [
        f"{path.relative_to(ROOT)}: {text}"
        for path in sorted((ROOT / "sim").rglob("*.html"))
        for text in IN_PAGES.findall(path.read_text(encoding="utf-8"))
        if "counted(" not in text
    ]
    assert not wrong, "write {{ value | counted(noun) }}:\n" + "\n".join(wrong)


def test_every_exception_is_still_there():
    found = {
        text
        for folder in ("sim", "controllers")
        for path in (ROOT / folder).rglob("*.py")
        for _, text in plurals(path.read_text(encoding="utf-8"))
    }
    assert found >= NEVER_ONE.keys(), NEVER_ONE.keys() - found


def test_what_is_found_and_what_is_not():
    found = [text for _, text in plurals("""
f"{n} mirrors of {len(x)} frames"
f"{n:g} ms, {a:.2f} years, {MOST} runs, {name} is late, {counted(n, 'run')} fails, {n} mirror"
""")]  # fmt: skip
    assert found == ["n mirrors", "len(x) frames"]


@pytest.mark.parametrize(
    ("count", "said"),
    [(0, "0 sets"), (1, "1 set"), (1.0, "1 set"), (2, "2 sets"), (0.5, "0.5 sets")],
)
def test_one_is_one(count, said):
    assert counted(count, "set") == said
