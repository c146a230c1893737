"""The table of all figures in the documentation, made from `sim.results.table`.

`python -m sim.results.figures_page docs/metrics.md` renews the part of that page between its marks.
"""

import sys
from typing import Final

from sim.foundations.files.made_part import MadePart
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


FIGURES_TABLE: Final = MadePart(BEGIN, END, figures_table)

if __name__ == "__main__":
    FIGURES_TABLE.renew(sys.argv[1:])
