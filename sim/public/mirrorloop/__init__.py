"""mirrorloop: closed-loop simulation of the mirror servo in a free-space optical cross-connect.

Everything that users call is a name of this package; `docs/python.md` lists them. Each is imported
when it is first used, so that `import mirrorloop` costs nothing. `mirrorloop.testing` holds the
rules that parts of your own are checked against.
"""

from importlib import import_module
from typing import Any


def _names() -> dict[str, tuple[str, str]]:
    """Public name -> (module, name there), read from the file that type checkers read."""
    found: dict[str, tuple[str, str]] = {}
    with open(f"{__file__.removesuffix('.py')}.pyi", encoding="utf-8") as stub:
        for line in stub:
            words = line.split()
            if line.startswith("from "):
                found[words[5]] = (words[1], words[3])
            elif len(words) == 3 and words[1] == "=":
                found[words[0]] = found.pop(words[2])
    return found


_PLACES = _names()
__all__ = sorted(_PLACES)


def __getattr__(name: str) -> Any:
    if name not in _PLACES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}", name=name)
    module, there = _PLACES[name]
    found = getattr(import_module(module), there)
    globals()[name] = found
    return found


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
