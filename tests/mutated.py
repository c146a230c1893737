"""Scenarios from the whole schema, made by changing a good one as users and machines do."""

import copy
import json
import math
import random
import signal
import tomllib
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from controllers import CONTROLLERS, SHAPERS
from sim.assembly.cost import Budget
from sim.assembly.plug_ins import ARITHMETIC
from sim.disturbances import DISTURBANCES
from sim.estimators import ESTIMATORS
from sim.events import EVENTS
from sim.foundations.errors import SimError
from sim.health import WATCHES
from sim.scenario.check import check_block
from sim.scenario.file import read_tree
from sim.scenario.model import Scenario
from sim.studies.run.make import make_run

ROOT = Path(__file__).parents[1]
BUDGET = Budget(memory_gb=2.0, hours=0.002)
LONGEST_S = 120
"""No scenario that the budget lets through takes so long, even on a busy machine."""
PARTS = {
    "estimator": ESTIMATORS, "controller": CONTROLLERS, "shaping": SHAPERS,
    "disturbances": DISTURBANCES, "events": EVENTS,
}  # fmt: skip
LISTS = {"disturbances", "events"}
BLOCKS = (
    "isolator", "bracket", "lens", "calibration", "spot_guard", "processor", "life", "health",
    "requirements", "uncertainty", "estimator_comparison", "engine", "boards", "cameras",
)  # fmt: skip
"""What a scenario may leave out."""
ODD = (
    0, -1, 1, 0.0, -0.0, 1e-12, -1e-12, 1e15, -1e15, 1e300, float("nan"), float("inf"), True,
    "", "none", "x", "os.path:join", "\x1b[31m", [], {}, [1, 2], [[1]], 2**70, None,
)  # fmt: skip


def good() -> dict[str, Any]:
    """Return a small scenario that runs in some milliseconds."""
    tree = read_tree(ROOT / "scenarios" / "single_mirror_step.toml")
    tree["duration_ms"] = 30.0
    tree["switch"]["moves"][0]["at_ms"] = 5.0
    tree["metrics"]["hold_from_ms"] = 15.0
    return tree


def mutated(rng: random.Random) -> dict[str, Any]:
    """Return a scenario with some of its values, tables or parts changed."""
    tree = good()
    schema = Scenario.model_json_schema()
    for section, registry in PARTS.items():
        if rng.random() < 0.3:
            kind = rng.choice(sorted(registry))
            params = registry[kind].Params.model_json_schema()
            made = _made(rng, params, params, wild=rng.random() < 0.2)
            if isinstance(made, dict):
                made["kind"] = kind
            if section in LISTS:
                tree.setdefault(section, []).append(made)
            else:
                tree[section] = made
    for _ in range(rng.randrange(4)):
        _change_somewhere(rng, tree, schema)
    for section in BLOCKS:
        if rng.random() < 0.1:
            part = _followed(schema["properties"][section], schema)
            tree[section] = _made(rng, part, schema, wild=rng.random() < 0.2)
    for section, block in ARITHMETIC.items():
        if rng.random() < 0.15 and isinstance(tree.get(section), dict):
            part = block.model_json_schema()
            tree[section]["arithmetic"] = _made(rng, part, part, wild=rng.random() < 0.1)
    health = tree.get("health")
    if isinstance(health, dict):
        kind = rng.choice(sorted(WATCHES))
        params = WATCHES[kind].Params.model_json_schema()
        health["watch"] = _made(rng, params, params, wild=rng.random() < 0.1)
        if isinstance(health["watch"], dict):
            health["watch"]["kind"] = kind
    return tree


def _change_somewhere(rng: random.Random, tree: dict[str, Any], schema: dict[str, Any]) -> None:
    """Change one leaf, add or drop one key, or put nonsense in the place of a table."""
    at: Any = tree
    here = schema
    while True:
        properties = here.get("properties", {}) if isinstance(here, dict) else {}
        keys = sorted({*properties, *(at if isinstance(at, dict) else ())})
        if not keys:
            return
        key = rng.choice(keys)
        below = _followed(properties.get(key, {}), schema)
        value = at.get(key)
        if isinstance(value, dict) and "properties" in below and rng.random() < 0.9:
            at, here = value, below
            continue
        roll = rng.random()
        if roll < 0.05:
            at.pop(key, None)
        elif roll < 0.15:
            at[key] = copy.deepcopy(rng.choice(ODD))
        elif isinstance(value, int | float) and not isinstance(value, bool) and roll < 0.6:
            at[key] = _near(rng, value)
        elif isinstance(value, list) and value and roll < 0.6:
            i = rng.randrange(len(value))
            number = isinstance(value[i], int | float)
            value[i] = _near(rng, value[i]) if number else copy.deepcopy(rng.choice(ODD))
        else:
            at[key] = _made(rng, below, schema, wild=rng.random() < 0.3)
        return


def _near(rng: random.Random, value: float) -> float:
    """Return a value some way from a good one: a little, or many powers of ten."""
    span = rng.choice([0.05, 0.5, 2.0, 6.0])
    factor = 10.0 ** rng.uniform(-span, span) * rng.choice([1, 1, 1, -1])
    changed = (value or 1.0) * factor
    return round(changed) if isinstance(value, int) and abs(changed) < 1e15 else changed


def _made(rng: random.Random, part: Any, schema: dict[str, Any], *, wild: bool) -> Any:
    """Return a value of a JSON schema; a wild one need not keep to it."""
    part = _followed(part, schema)
    if wild and rng.random() < 0.2:
        return copy.deepcopy(rng.choice(ODD))
    if "const" in part:
        return part["const"]
    if "enum" in part:
        return rng.choice(part["enum"])
    for union in ("anyOf", "oneOf"):
        if union in part:
            return _made(rng, rng.choice(part[union]), schema, wild=wild)
    kind = part.get("type")
    if kind == "object":
        needed = set(part.get("required", ()))
        return {
            key: _made(rng, below, schema, wild=wild)
            for key, below in part.get("properties", {}).items()
            if key in needed or rng.random() < 0.3
        }
    if kind == "array":
        if "prefixItems" in part:
            return [_made(rng, below, schema, wild=wild) for below in part["prefixItems"]]
        count = max(part.get("minItems", 0), rng.randrange(3))
        return [_made(rng, part.get("items", {}), schema, wild=wild) for _ in range(count)]
    if kind in ("number", "integer"):
        low = float(part.get("minimum", part.get("exclusiveMinimum", -1e3)))
        high = float(part.get("maximum", part.get("exclusiveMaximum", 1e3)))
        value = _between(rng, low, high)
        return round(value) if kind == "integer" else value
    if kind == "boolean":
        return rng.random() < 0.5
    if kind == "null":
        return "none"
    return rng.choice(["identity", "x", "g", "", "shake.csv"])


def _between(rng: random.Random, low: float, high: float) -> float:
    """Return a number in a range: an end, or anywhere, often by powers of ten."""
    if rng.random() < 0.1:
        return rng.choice([low, high])
    if low >= 0 and high > 0:
        floor = max(low, 1e-6 * high, 1e-9)
        middle = 10 ** (0.5 * (math.log10(floor) + math.log10(min(high, 1e4))))
        decades = min(max(rng.gauss(0.0, 1.0), -6.0), 6.0)
        return min(max(middle * 10**decades, low), high)
    return min(max(rng.gauss(0.0, 0.1) * min(high, 100.0), low), high)


def _followed(part: Any, schema: dict[str, Any]) -> dict[str, Any]:
    """Return what a reference in a JSON schema refers to; of an optional part, the part."""
    while isinstance(part, dict):
        if "$ref" in part:
            part = schema.get("$defs", {}).get(part["$ref"].rpartition("/")[2], {})
        elif len(part.get("anyOf", ())) == 2 and {"type": "null"} in part["anyOf"]:
            part = next(p for p in part["anyOf"] if p != {"type": "null"})
        else:
            return part
    return {}


class Hang(Exception):
    """A scenario took longer than any that may be accepted."""


@contextmanager
def limited(seconds: int) -> Iterator[None]:
    """Raise Hang after some processor time, which other work on the machine does not change."""

    def ring(number, frame):
        raise Hang(f"longer than {seconds} s")

    before = signal.signal(signal.SIGPROF, ring)
    signal.setitimer(signal.ITIMER_PROF, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
        signal.signal(signal.SIGPROF, before)


def outcome(tree: dict[str, Any]) -> str:
    """Return "accepted" if a scenario runs to finite figures, else the one message it gets.

    Anything else, an exception of another kind or a hang, is raised.
    """
    with warnings.catch_warnings(), limited(LONGEST_S):
        warnings.simplefilter("ignore")
        try:
            scenario = check_block(Scenario, tree, "case.toml")
            made = make_run(scenario, threads=1, budget=BUDGET)
        except SimError as exc:
            text = str(exc)
            assert text.strip() and "Traceback" not in text, text
            return text
        json.dumps(made.figures, allow_nan=False)
    return "accepted"


def as_toml(tree: dict[str, Any]) -> str:
    """Return a tree as TOML, as far as TOML has words for it."""
    import tomli_w

    text = tomli_w.dumps(tree)
    tomllib.loads(text)
    return text
