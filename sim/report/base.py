"""What all pages share: heading, strip, conditions to file, cautions, annexes, one style sheet."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from importlib.resources import files
from typing import Any, Final, NamedTuple

from jinja2 import Environment, FunctionLoader, StrictUndefined, Template

from sim.foundations.files.text import counted, shown_lines
from sim.report.filing_block import profile_rows

HERE: Final = "sim.report"
MOST_IN_HEADING: Final = 4
"""Overrides that a heading names."""
LONGEST_IN_HEADING: Final = 60
"""Characters of one of them."""


class Base(NamedTuple):
    """What stands on every page around its findings."""

    heading: str
    strip: Sequence[tuple[str, str]]
    question: str
    background: str
    """What is folded below the question."""
    notes: Sequence[str]
    conditions: Sequence[tuple[str, str]]
    input_name: str
    input_text: str
    provenance: Sequence[tuple[str, str]]
    style: str


def base_of(
    *,
    title: str,
    question: str,
    provenance: Mapping[str, Any],
    strip: Sequence[tuple[str, str]] = (),
    notes: Sequence[str] = (),
    played: Sequence[Mapping[str, Any]] = (),
    conditions: Sequence[tuple[str, str]] = (),
    input_text: str = "",
    input_name: str = "scenario, as resolved",
) -> Base:
    """Return what a page shows around its findings.

    Parameters
    ----------
    title : str
        Of the case or study, without its overrides.
    question : str
        Its first sentence that ends with a question mark stands open; the rest is folded.
    provenance : mapping
        Version, revision, seed, time, overrides and command, as the results hold them.
    strip : sequence of (str, str)
        What comes first in the strip below the verdict; seed, version and date follow.
    notes : sequence of str
        Warnings, assumptions and limits.
    played : sequence of mapping
        Records and shocks, as disturbances describe them.
    conditions : sequence of (str, str)
        More rows of the table of conditions.
    input_text, input_name : str
        The annex: what was computed from.
    """
    first, mark, rest = question.partition("?")
    return Base(
        heading=heading_of(title, provenance),
        strip=[(name, text) for name, text in (*strip, *_origin(provenance)) if text],
        question=f"{first}{mark}",
        background=rest.strip(),
        notes=notes,
        conditions=list(_conditions(title, provenance, played, conditions)),
        input_name=input_name,
        input_text=input_text,
        provenance=list(_flat(provenance)),
        style=files(HERE).joinpath("style.css").read_text(encoding="utf-8"),
    )


def template(
    name: str, package: str = HERE, filters: Mapping[str, Callable[..., str]] | None = None
) -> Template:
    """Return a template of a package, with what it builds upon; all text is escaped.

    That holds for what HTML means, and for marks that turn the direction of what follows.
    """
    environment = Environment(
        loader=FunctionLoader(_source), autoescape=True, undefined=StrictUndefined,
        trim_blocks=True, lstrip_blocks=True, finalize=_drawable,
    )  # fmt: skip
    environment.filters["counted"] = counted
    environment.filters |= filters or {}
    return environment.get_template(f"{package}/{name}")


def _drawable(value: Any) -> Any:
    """Return what a page shows of a value: marks that are not drawn stand escaped in its text."""
    is_markup = hasattr(value, "__html__")
    return shown_lines(value) if isinstance(value, str) and not is_markup else value


def heading_of(title: str, provenance: Mapping[str, Any]) -> str:
    """Return the title with what was overridden, so that no two pages of one case are mistaken.

    Long texts are cut short: the page lists them in full under its conditions.
    """
    overrides = [shorten(text) for text in provenance.get("overrides") or ()]
    if not overrides:
        return title
    more = len(overrides) - MOST_IN_HEADING
    rest = [f"and {more} more"] if more > 0 else []
    return f"{title} [{', '.join(overrides[:MOST_IN_HEADING] + rest)}]"


def shorten(text: str) -> str:
    """Return a text of at most `LONGEST_IN_HEADING` characters."""
    return text if len(text) <= LONGEST_IN_HEADING else f"{text[: LONGEST_IN_HEADING - 3]}..."


def _source(name: str) -> str:
    package, _, file = name.rpartition("/")
    return files(package or HERE).joinpath(file).read_text(encoding="utf-8")


def _origin(provenance: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    yield "seed", str(provenance.get("seed", ""))
    yield "version", " ".join(
        str(provenance[key]) for key in ("version", "revision") if provenance.get(key)
    )
    yield "date", _date(provenance)


def _date(provenance: Mapping[str, Any]) -> str:
    return str(provenance.get("started", "")).replace("T", " ").replace("+00:00", " UTC")


def _conditions(
    title: str,
    provenance: Mapping[str, Any],
    played: Sequence[Mapping[str, Any]],
    more: Sequence[tuple[str, str]],
) -> Iterator[tuple[str, str]]:
    yield "Case", title
    yield from profile_rows(played)
    yield from more
    yield "Overrides", "; ".join(provenance.get("overrides") or ()) or "none"
    yield "Command", str(provenance.get("command") or "called from a program")
    version, revision = provenance.get("version", ""), provenance.get("revision")
    yield "Tool", f"mirrorloop {version}, revision {revision or 'of the installed package'}"
    yield "Date", _date(provenance)


def _flat(provenance: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """Provenance as rows; what is nested stands on one line."""
    for key, value in provenance.items():
        if isinstance(value, Mapping):
            yield key, ", ".join(f"{k} {v}" for k, v in value.items())
        elif isinstance(value, list | tuple):
            yield key, "; ".join(map(str, value))
        else:
            yield key, "" if value is None else str(value)
