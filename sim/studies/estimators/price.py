"""What readings cost the loop: one smooth figure from bias, noise, lost and wrong readings."""

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np

from sim.camera.conditions import EstimatorComparisonParams
from sim.studies.estimators.cases import JudgedPoint

RULES = (
    "Each condition has a price, an error in pixels: bias in full, since the loop follows it; "
    "noise by the part of its power that the scenario's loop passes on (noise_passed); a lost "
    "reading as an error of lost_px, since the loop holds its last correction; a wrong one as its "
    "own error and wrong_px on top. So a wrong reading costs more than a lost "
    "one, and a lost one more than a noisy one.",
    "What bad pixels and neighbours add differs from window to window but stays there: it counts "
    "as bias.",
    "The camera as it is counts with the pointing error of the loop itself, where that was run, "
    "with the latency that the estimator's arithmetic gives it.",
    "The price of an estimator is the root of the mean square of these, by the weights. Nothing is "
    "counted against a threshold.",
    "Cost enters as a factor on the price: ten times the multiply-adds must lower the error by "
    "tenfold_cost_pct. What states no cost is taken to cost as much as the costliest.",
    "With a [processor], an estimator whose arithmetic for all spots does not fit the latency, or "
    "that needs more memory, is ruled out beforehand.",
    "Each set of frames gives a ranking of its own. The estimator of least mean is recommended if "
    "it leads the next by more than three standard errors over the sets; those within are equal "
    "but for chance, and the cheapest of them is taken.",
)
"""In words, for the page. Weights and prices are this project's own choice, of no standard."""


class ConditionPrice(NamedTuple):
    """One condition of one estimator, mean over the sets of frames."""

    name: str
    weight: float
    price_px: float
    lost: float
    """Part of the spots that were not read. [-]"""
    wrong: float
    """Part that was read far from the truth. [-]"""


def condition_square_px2(
    row: Mapping[str, Any], clean: Mapping[str, Any], fixed: bool, rules: EstimatorComparisonParams
) -> float:
    """Return the squared price of one row of the comparison. [px^2]

    Parameters
    ----------
    row : mapping
        See `sim.studies.estimators.rows.UNITS`.
    clean : mapping
        The row of the camera as it is, of the same frames' seed.
    fixed : bool
        Whether scatter beyond that of the clean camera stays in each window.
    rules : EstimatorComparisonParams
        Prices, `noise_passed` filled in.

    Notes
    -----
    With b the bias, s the scatter, p the part of noise passed on, l and w the shares lost and
    wrong: ``(1 - l) (p s^2 + b^2) + l lost^2 + w wrong^2``. Where errors are fixed, s is at most
    the clean camera's, and b^2 is what the mean square error is above s^2.
    """
    lost, wrong = row["failure_rate"], row["wrong_rate"]
    square = lost * rules.lost_px**2 + wrong * rules.wrong_px**2
    if row["scatter_px"] is None:
        return float(square)
    own = row["scatter_px"] ** 2
    if fixed and clean["scatter_px"] is not None:
        own = min(own, clean["scatter_px"] ** 2)
    if fixed:
        stays = max(row["rms_error_px"] ** 2 - own, 0.0)
    else:
        stays = row["bias_rms_px"] ** 2
    passed = rules.noise_passed
    if passed is None:
        raise ValueError("rules must say what part of the noise is passed on")
    return float(square + (1 - lost) * (passed * own + stays))


def prices(
    rows: Sequence[Mapping[str, Any]],
    counted: Sequence[JudgedPoint],
    rules: EstimatorComparisonParams,
    loop_px: float | None,
) -> tuple[float, list[ConditionPrice]]:
    """Return an estimator's price, and those of its conditions, from one set of frames.

    Parameters
    ----------
    rows : sequence of mapping
        One for each condition, the camera as it is first.
    counted : sequence of JudgedPoint
        The conditions, in the same order.
    rules : EstimatorComparisonParams
        Prices and weights.
    loop_px : float, optional
        Pointing error of the loop with this estimator, which stands in for the first. [px]
    """
    clean = rows[0]
    found = []
    for row, condition in zip(rows, counted, strict=True):
        square = condition_square_px2(row, clean, condition.fixed, rules)
        if condition.name == "nominal" and loop_px is not None:
            square = loop_px**2
        price = float(np.sqrt(square))
        found.append(
            ConditionPrice(
                condition.name, condition.weight, price, row["failure_rate"], row["wrong_rate"]
            )
        )
    if rules.weights.dark > 0:
        accepted = clean["false_accept_rate"]
        price = float(np.sqrt(accepted)) * rules.wrong_px
        found.append(ConditionPrice("dark", rules.weights.dark, price, 0.0, accepted))
    weight = sum(c.weight for c in found)
    return float(np.sqrt(sum(c.weight * c.price_px**2 for c in found) / weight)), found


def mean_prices(sets: Sequence[Sequence[ConditionPrice]]) -> list[ConditionPrice]:
    """Return the rms price of each condition over the sets of frames, and mean shares."""
    return [
        ConditionPrice(
            each[0].name,
            each[0].weight,
            float(np.sqrt(np.mean([c.price_px**2 for c in each]))),
            float(np.mean([c.lost for c in each])),
            float(np.mean([c.wrong for c in each])),
        )
        for each in zip(*sets, strict=True)
    ]


def cost_factor(multiply_adds: int | None, known: Sequence[int], tenfold_pct: float) -> float:
    """Return the factor that arithmetic puts on a price; 1 for the cheapest of those known."""
    if not known:
        return 1.0
    count = max(known) if multiply_adds is None else multiply_adds
    return float((1 + tenfold_pct / 100) ** np.log10(count / min(known)))
