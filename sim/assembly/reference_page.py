"""The reference of the scenario file, made from the blocks that check it.

`python -m sim.assembly.reference_page docs/scenarios.md` renews the part of that page below its
marker.
"""

import sys
from collections.abc import Iterator
from typing import Any, Final

from sim.assembly.plug_ins import ARITHMETIC, FAMILIES
from sim.foundations.files.made_part import MadePart
from sim.scenario.model import Scenario

MARKER = "<!-- made by python -m sim.assembly.reference_page; do not edit below -->\n"
LISTED = ("disturbances", "events")
"""Families of which a scenario may name several."""
REF = "#/$defs/"
TYPES = {"number": "number", "integer": "whole number", "string": "text", "boolean": "true, false"}
BOUNDS = {"minimum": ">=", "exclusiveMinimum": ">", "maximum": "<=", "exclusiveMaximum": "<"}
Schema = dict[str, Any]


def scenario_reference() -> str:
    """Return every section and key of a scenario as Markdown tables, plug-ins included."""
    lines = list(_block("the top of the file", "", Scenario.model_json_schema()))
    for key, family in FAMILIES.items():
        for kind in sorted(family):
            schema = family[kind].Params.model_json_schema()
            title = f'`[{_header(key, listed=key in LISTED)}]`, kind = "{kind}"'
            lines += _block(title, key, schema)
        if key in ARITHMETIC:
            title = f"`[{key}.arithmetic]`"
            lines += _block(title, f"{key}.arithmetic", ARITHMETIC[key].model_json_schema())
    return "\n".join(lines)


def _header(path: str, *, listed: bool) -> str:
    return f"[{path}]" if listed else path


def _block(title: str, path: str, schema: Schema) -> Iterator[str]:
    """Yield the table of one block, then those of the blocks inside it."""
    defs = schema.get("$defs", {})
    yield f"### {title}\n"
    if schema.get("description"):
        yield _one_line(schema["description"]) + "\n"
    yield "| key | value | default | meaning |"
    yield "|---|---|---|---|"
    required = schema.get("required", ())
    inner = []
    for key, field in schema["properties"].items():
        default = "required" if key in required else _default(field.get("default"))
        about = field.get("description") or _about_block(field, defs)
        yield f"| `{key}` | {_cell(_value(field))} | {default} | {_cell(_one_line(about))} |"
        below = f"{path}.{key}" if path else key
        inner += [(below, name, listed) for name, listed in _references(field)]
    yield ""
    for below, name, listed in inner:
        block = {**defs[name], "$defs": defs}
        yield from _block(_inner_title(below, listed, block), below, block)


def _about_block(field: Schema, defs: Schema) -> str:
    """Return what the block in a field says of itself, for a field that says nothing."""
    return next((defs[name].get("description", "") for name, _ in _references(field)), "")


def _inner_title(path: str, listed: bool, block: Schema) -> str:
    """Name a block inside another; one of several is named by its constant."""
    constants = [f'{k} = "{f["const"]}"' for k, f in block["properties"].items() if "const" in f]
    return ", ".join([f"`[{_header(path, listed=listed)}]`", *constants])


def _references(field: Schema, listed: bool = False) -> Iterator[tuple[str, bool]]:
    """Yield the names of the blocks in a field, and whether they are in a list."""
    if "$ref" in field:
        yield field["$ref"].removeprefix(REF), listed
    for part in (*field.get("anyOf", ()), *field.get("oneOf", ())):
        yield from _references(part, listed)
    if "items" in field:
        yield from _references(field["items"], True)


def _value(field: Schema) -> str:
    """Say in words what a field may hold."""
    if "$ref" in field:
        return "table"
    if "const" in field:
        return f'"{field["const"]}"'
    if "enum" in field:
        return ", ".join(f'"{v}"' if isinstance(v, str) else str(v) for v in field["enum"])
    parts = [p for p in (*field.get("anyOf", ()), *field.get("oneOf", ())) if not _is_null(p)]
    if parts:
        return " or ".join(dict.fromkeys(_value(p) for p in parts))
    if "prefixItems" in field:
        return "[" + ", ".join(_value(p) for p in field["prefixItems"]) + "]"
    if field.get("type") == "array":
        return f"list of {_value(field['items'])}"
    if field.get("type") == "object":
        return "table"
    bounds = [f"{sign} {_number(field[name])}" for name, sign in BOUNDS.items() if name in field]
    return " ".join([TYPES[field["type"]], " and ".join(bounds)]).strip()


def _is_null(field: Schema) -> bool:
    return field.get("type") == "null"


def _default(value: Any) -> str:
    if value is None:
        return "none"
    if isinstance(value, dict):
        return "see below"
    if isinstance(value, bool):
        return str(value).lower()
    return f'"{value}"' if isinstance(value, str) else _number(value)


def _number(value: Any) -> str:
    if isinstance(value, list):
        return "[" + ", ".join(_number(v) for v in value) + "]"
    return f"{value:.6g}" if isinstance(value, float) else str(value)


def _one_line(text: str) -> str:
    return " ".join(text.split())


def _cell(text: str) -> str:
    return text.replace("|", "\\|")


REFERENCE: Final = MadePart(MARKER, "", lambda: f"\n{scenario_reference()}")

if __name__ == "__main__":
    REFERENCE.renew(sys.argv[1:])
