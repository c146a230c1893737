"""What is varied, as the command line writes it: lists, ranges and distributions."""

import json
import math
import re
import tomllib
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from sim.foundations.files.text import range_of
from sim.studies.sweep.errors import SweepError

FORMS = (
    "PATH=1,2,3 or PATH=LOW..HIGH/COUNT or PATH=uniform(LOW,HIGH), loguniform(LOW,HIGH) or "
    "normal(MEAN,SD)"
)
MOST_VALUES = 100_000
"""Values of one quantity."""
LONGEST = 9
"""Digits in a count."""
SMALLEST = 2.0**-53
DIGITS = 12
"""Decimal digits of the values inside a range: 0.3, not 0.30000000000000004."""
_CALL = re.compile(r"^([A-Za-z_]\w*)\((.*)\)$")


@dataclass(frozen=True, slots=True)
class Distribution:
    """A law that a quantity is drawn from."""

    kind: str
    """uniform, loguniform or normal."""
    a: float
    """Lower end, or mean."""
    b: float
    """Upper end, or standard deviation."""

    def quantile(self, probability: ArrayLike) -> NDArray[np.float64]:
        """Return the values below which the law lies with these probabilities (0 to 1)."""
        p = np.clip(np.asarray(probability, dtype=float), SMALLEST, 1 - SMALLEST)
        if self.kind == "uniform":
            return self.a + (self.b - self.a) * p
        if self.kind == "loguniform":
            return self.a * (self.b / self.a) ** p
        return self.a + self.b * np.asarray(stats.norm.ppf(p))


@dataclass(frozen=True, slots=True)
class Varied:
    """One varied quantity."""

    path: str
    """Where it stands in the scenario."""
    values: tuple[Any, ...]
    """The listed values; empty for a distribution."""
    distribution: Distribution | None


def parse_vary(text: str) -> Varied:
    """Read one `--vary` option.

    Parameters
    ----------
    text : str
        "path=1,2,3", "path=1..2/5" or "path=uniform(1,2)"; see `FORMS`.

    Returns
    -------
    Varied

    Raises
    ------
    SweepError
        If it cannot be read; names the option, the rule and the value.
    """
    path, equals, value = (part.strip() for part in text.partition("="))
    if not equals or not path or not value:
        raise SweepError(f"--vary needs {FORMS} (got {text!r})")
    if path == "seed":
        raise SweepError(f"--vary {text}: the seed is varied by --seeds")
    if (ends := range_of(value)) is not None:
        return Varied(path, _range(text, *ends), None)
    if found := _CALL.match(value):
        return Varied(path, (), _distribution(text, *found.groups()))
    if ".." in value and not value.startswith(('"', "'", "[")):
        raise SweepError(f"--vary {text}: a range is written LOW..HIGH/COUNT in numbers")
    values = _list(text, value)
    if len(values) > MOST_VALUES:
        raise SweepError(f"--vary {path}: {MOST_VALUES} values at most (got {len(values)})")
    seen: set[str] = set()
    for v in map(toml, values):
        if v in seen:
            raise SweepError(f"--vary {text}: every value may stand once (got {v} again)")
        seen.add(v)
    return Varied(path, values, None)


def toml(value: Any) -> str:
    """Return a value as TOML writes it; the inverse of what `--set` reads."""
    return json.dumps(value, ensure_ascii=False)


def _range(text: str, low: str, high: str, count: str | None) -> tuple[Any, ...]:
    number = (count or "").strip()
    if not number.isdecimal() or len(number) > LONGEST or not 2 <= int(number) <= MOST_VALUES:
        raise SweepError(
            f"--vary {text}: a range needs /COUNT, a whole number from 2 to {MOST_VALUES}"
        )
    first, last, n = float(low), float(high), int(number)
    if first == last:
        raise SweepError(f"--vary {text}: the ends of a range must differ")
    values = [float(f"{first + (last - first) * i / (n - 1):.{DIGITS}g}") for i in range(n)]
    values[0], values[-1] = first, last
    whole = all(re.fullmatch(r"[+-]?\d+", end) for end in (low, high))
    if whole and all(v.is_integer() for v in values):
        return tuple(int(v) for v in values)
    return tuple(values)


def _distribution(text: str, kind: str, inside: str) -> Distribution:
    if kind not in ("uniform", "loguniform", "normal"):
        raise SweepError(
            f'--vary {text}: unknown distribution "{kind}". Known: loguniform, normal, uniform.'
        )
    try:
        a, b = (float(part) for part in inside.split(","))
    except ValueError:
        raise SweepError(f"--vary {text}: {kind} needs two numbers (got {inside!r})") from None
    if not (math.isfinite(a) and math.isfinite(b)):
        raise SweepError(f"--vary {text}: {kind} needs finite numbers (got {inside!r})")
    if kind == "normal" and b <= 0:
        raise SweepError(f"--vary {text}: the standard deviation must be above 0 (got {b:g})")
    if kind != "normal" and a >= b:
        raise SweepError(f"--vary {text}: LOW must be below HIGH (got {a:g} and {b:g})")
    if kind == "loguniform" and a <= 0:
        raise SweepError(f"--vary {text}: LOW must be above 0 (got {a:g})")
    return Distribution(kind, a, b)


def _list(text: str, value: str) -> tuple[Any, ...]:
    try:
        values = tomllib.loads(f"v = [{value}]")["v"]
    except tomllib.TOMLDecodeError:  # bare words, as --set takes them
        values = [_single(part.strip()) for part in value.split(",")]
    for v in values:
        if v == "":
            raise SweepError(f"--vary {text}: a value is missing between commas")
        if not _plain(v):
            raise SweepError(
                f"--vary {text}: a value is a finite number, a text, true, false or a list of "
                f"these (got {v!r})"
            )
    if not values:
        raise SweepError(f"--vary needs {FORMS} (got {text!r})")
    return tuple(values)


def _single(part: str) -> Any:
    try:
        return tomllib.loads(f"v = {part}")["v"]
    except tomllib.TOMLDecodeError:
        return part


def _plain(value: Any) -> bool:
    if isinstance(value, list):
        return all(_plain(v) for v in value)
    if isinstance(value, float):
        return math.isfinite(value)
    return isinstance(value, bool | int | str)
