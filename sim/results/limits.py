"""The limits a run is held against, and whether it met them."""

from collections.abc import Mapping
from typing import TYPE_CHECKING, Annotated, Any

from pydantic import Field, create_model

from sim.foundations.params import Block, NonNegative
from sim.results.table import LIMITED, Figure

WholeNumber = Annotated[int, Field(ge=0)]


def _field(figure: Figure) -> tuple[Any, Any]:
    side = "Largest" if figure.worse == "higher" else "Smallest"
    text = f"{side} {figure.words} that passes; over {figure.includes}. [{figure.unit or '-'}]"
    kind: Any = NonNegative if figure.unit else WholeNumber
    return kind | None, Field(default=None, description=text)


if TYPE_CHECKING:

    class LimitsParams(Block):
        """One optional field for each figure that may be limited."""

        def __getattr__(self, name: str) -> Any: ...

else:
    LimitsParams = create_model(
        "LimitsParams",
        __base__=Block,
        __module__=__name__,
        __doc__="The values that still pass; a limit left out is not asked for.\n\nValid for any "
        "value that its figure can have; `check` warns of one that cannot be met.",
        **{name: _field(figure) for name, figure in LIMITED.items()},
    )


def check_limits(figures: Mapping[str, Any], limits: LimitsParams) -> list[dict[str, Any]]:
    """Hold figures against the limits that were asked for.

    A figure that equals its limit meets it. A figure that does not exist does not: a mirror that
    never settled, or a limit on switching in a run without commands, has not been shown to pass.

    Parameters
    ----------
    figures : mapping
        What `sim.results.metrics.evaluate` returns.
    limits : LimitsParams
        The limits.

    Returns
    -------
    list of dict
        ``name``, ``limit``, ``value`` (None if there is none) and ``met`` of each limit asked for.
    """
    rows = []
    for name, figure in LIMITED.items():
        limit = getattr(limits, name)
        if limit is None:
            continue
        value = figure.of(figures)
        rows.append(
            {"name": name, "limit": limit, "value": value, "met": figure.meets(value, limit)}
        )
    return rows
