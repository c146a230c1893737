"""The table of all figures in the documentation, made from `sim.results.table`.

`python -m sim.results.figures_page docs/metrics.md` renews the part of that page between its marks.
"""

import sys
from pathlib import Path
from typing import Final

from sim.results.table import FIGURES
from sim.results.units import DECIMALS, unit_sign

BEGIN: Final = "<!-- made by python -m sim.results.figures_page: begin -->\n"
END: Final = "<!-- made by python -m sim.results.figures_page: end -->\n"


def figures_table() -> str:
    """Return every figure as a Markdown table."""
    lines = [
        "| figure | words | symbol | unit | decimals | taken over | limit |",
        "|---|---|---|---|---|---|---|",
    ]
    for figure in FIGURES:
        sign = "≤" if figure.worse == "higher" else "≥"
        limit = f"{sign} `{figure.limit}`" if figure.limit else ""
        cells = (
            f"`{figure.path}`", figure.words, f"`{figure.symbol}`", unit_sign(figure.unit) or "-",
            str(DECIMALS.get(figure.unit, 0)), figure.includes, limit,
        )  # fmt: skip
        lines.append(f"| {' | '.join(cells)} |")
    return "\n".join(lines) + "\n"


def renewed(page: str) -> str:
    """Return the page with all between its marks made anew.

    Raises
    ------
    ValueError
        If a mark is missing.
    """
    before, begin, rest = page.partition(BEGIN)
    _, end, after = rest.partition(END)
    if not begin or not end:
        raise ValueError(f"page must hold the lines {BEGIN!r} and {END!r}")
    return f"{before}{BEGIN}{figures_table()}{END}{after}"


if __name__ == "__main__":
    for name in sys.argv[1:]:
        path = Path(name)
        path.write_text(renewed(path.read_text(encoding="utf-8")), encoding="utf-8")
