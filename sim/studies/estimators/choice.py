"""Which estimator the figures speak for, by rules that are stated and reasons that are numbers."""

from collections.abc import Callable, Mapping, Sequence
from typing import Any, NamedTuple

RATE_LIMIT = 0.01
WRONG_LIMIT = 0.001
MERIT_MARGIN = 1.25
ADVERSE_FACTOR = 2.0
LOOP_MARGIN = 1.05
COST_MARGIN = 1.1
RULES = (
    f"On the scenario's camera, at most {100 * RATE_LIMIT:g} % of the spots are not read, "
    f"{100 * RATE_LIMIT:g} % of the empty frames are accepted and {100 * WRONG_LIMIT:g} % of the "
    "spots are read wrong.",
    f"There, the calibrated error is at most {MERIT_MARGIN:g} times the least of those left.",
    f"It stands the most adverse conditions: in each, its error as it comes (bias and scatter) is "
    f"at most {ADVERSE_FACTOR:g} times the bound of the clean frame, and at most "
    f"{100 * RATE_LIMIT:g} % of the spots are lost or wrong.",
    "In the loop, it loses no more spots than the best of those left, and its pointing error is "
    f"within {100 * (LOOP_MARGIN - 1):.0f} % of the least.",
    f"Of those left, it asks for the fewest multiply-adds, or up to {COST_MARGIN:g} times that; "
    "among those, its worst condition is the mildest. What has no count comes last.",
)
"""In the order in which they are used. The numbers are ours: common sense, no standard."""


class AdverseCondition(NamedTuple):
    """How an estimator fares where the camera is not as the firmware was told."""

    name: str
    error_px: float | None
    bound_px: float
    lost: float
    """Part of the spots not read or read wrong. [-]"""

    @property
    def stood(self) -> bool:
        """Whether it is stood, by the third rule."""
        near = self.error_px is not None and self.error_px <= ADVERSE_FACTOR * self.bound_px
        return near and self.lost <= RATE_LIMIT


class Standing(NamedTuple):
    """What the choice goes by."""

    estimator: str
    corrected_px: float | None
    bound_px: float
    failure_rate: float
    false_accept_rate: float
    wrong_rate: float
    adverse_conditions: tuple[AdverseCondition, ...]
    loop_rms_urad: float | None
    """None where the loop was not run. [urad]"""
    lost_frames: int
    multiply_adds: int | None


class Choice(NamedTuple):
    """What is recommended, and why the others are not."""

    estimator: str | None
    """None if no estimator passes the first rule."""
    reasons: tuple[str, ...]
    passed_over: Mapping[str, str]
    """Every other estimator, and the rule that stopped it, with its number."""


def recommend(standings: Sequence[Standing]) -> Choice:
    """Choose by `RULES`.

    Parameters
    ----------
    standings : sequence of Standing
        Everybody, in any order; of equals the first is taken.

    Returns
    -------
    Choice

    Raises
    ------
    ValueError
        If there is nobody to choose from.
    """
    if not standings:
        raise ValueError("standings must hold at least one estimator, got none")
    out: dict[str, str] = {}
    left = list(standings)

    def sift(keep: Callable[[Standing], bool], why: Callable[[Standing], str]) -> None:
        nonlocal left
        out.update({s.estimator: why(s) for s in left if not keep(s)})
        left = [s for s in left if keep(s)]

    sift(_reads, _why_not_read)
    if not left:
        return Choice(None, ("No estimator reads this camera's spots reliably.",), out)
    least = min(s.corrected_px for s in left if s.corrected_px is not None)
    sift(
        lambda s: s.corrected_px is not None and s.corrected_px <= MERIT_MARGIN * least,
        lambda s: f"calibrated error {_px(s.corrected_px)}, least {_px(least)}",
    )
    fewest = min(_fallen(s) for s in left)
    sift(
        lambda s: _fallen(s) == fewest,
        lambda s: f"falls to {_names(s)} (others fall to {fewest})",
    )
    sift(lambda s: s.lost_frames <= min(o.lost_frames for o in left), _why_lost)
    ran = [s.loop_rms_urad for s in left if s.loop_rms_urad is not None]
    if ran:
        sift(
            lambda s: s.loop_rms_urad is not None and s.loop_rms_urad <= LOOP_MARGIN * min(ran),
            lambda s: f"{_urad(s.loop_rms_urad)} rms in the loop, least {min(ran):.2f} urad",
        )
    counts = [s.multiply_adds for s in left if s.multiply_adds is not None]
    if counts:
        sift(
            lambda s: s.multiply_adds is not None and s.multiply_adds <= COST_MARGIN * min(counts),
            lambda s: f"{_count(s)}, fewest {min(counts)}",
        )
    left.sort(key=lambda s: (_worst(s), s.corrected_px or 0.0))
    chosen, *others = left
    out.update(
        {
            s.estimator: f"about as cheap ({_count(s)}), but its worst condition is "
            f"{_worst(s):.2f} bounds, the choice's {_worst(chosen):.2f}"
            for s in others
        }
    )
    return Choice(chosen.estimator, _reasons(chosen, least, ran), out)


def _reads(s: Standing) -> bool:
    good = s.failure_rate <= RATE_LIMIT and s.false_accept_rate <= RATE_LIMIT
    return good and s.wrong_rate <= WRONG_LIMIT and s.corrected_px is not None


def _why_not_read(s: Standing) -> str:
    return (
        f"{100 * s.failure_rate:.1f} % of the spots not read, {100 * s.wrong_rate:.1f} % wrong, "
        f"{100 * s.false_accept_rate:.1f} % of the empty frames accepted"
    )


def _why_lost(s: Standing) -> str:
    return f"{s.lost_frames} lost spots in the loop"


def _fallen(s: Standing) -> int:
    return sum(not condition.stood for condition in s.adverse_conditions)


def _worst(s: Standing) -> float:
    """Largest error under an adverse condition, in bounds; else that of the camera as it is."""
    clean = (s.corrected_px or 0.0) / s.bound_px
    return max(
        (
            float("inf") if t.error_px is None else t.error_px / t.bound_px
            for t in s.adverse_conditions
        ),
        default=clean,
    )


def _names(s: Standing) -> str:
    return ", ".join(
        f"{t.name} ({_px(t.error_px)}"
        + (f", {100 * t.lost:.1f} % lost or wrong)" if t.lost > RATE_LIMIT else ")")
        for t in s.adverse_conditions
        if not t.stood
    )


def _reasons(s: Standing, least_px: float, ran_urad: Sequence[float]) -> tuple[str, ...]:
    stood = [t for t in s.adverse_conditions if t.stood]
    reasons = [
        f"Calibrated error {_px(s.corrected_px)}: {(s.corrected_px or 0) / s.bound_px:.2f} times "
        f"the bound of {_px(s.bound_px)}, {(s.corrected_px or 0) / least_px:.2f} times the least.",
        f"{100 * s.failure_rate:.2f} % of the spots not read, {100 * s.wrong_rate:.2f} % wrong, "
        f"{100 * s.false_accept_rate:.2f} % of the empty frames accepted.",
    ]
    if s.adverse_conditions:
        worst = max(stood, key=lambda t: (t.error_px or 0) / t.bound_px, default=None)
        reasons.append(
            f"Stands {len(stood)} of {len(s.adverse_conditions)} adverse conditions"
            + (f", the worst of them {worst.name} at {_px(worst.error_px)}" if worst else "")
            + (f"; falls to {_names(s)}." if len(stood) < len(s.adverse_conditions) else ".")
        )
    if s.loop_rms_urad is not None:
        reasons.append(
            f"{s.loop_rms_urad:.2f} urad rms in the loop (least of those left "
            f"{min(ran_urad):.2f} urad), {s.lost_frames} lost spots."
        )
    reasons.append(f"{_count(s)} per spot.")
    return tuple(reasons)


def _px(value: float | None) -> str:
    return "none" if value is None else f"{value:.4f} px"


def _urad(value: float | None) -> str:
    return "none" if value is None else f"{value:.2f} urad"


def _count(s: Standing) -> str:
    return "no count" if s.multiply_adds is None else f"{s.multiply_adds} multiply-adds"


def standings(
    rows: Sequence[Mapping[str, Any]],
    loops: Sequence[Mapping[str, Any]],
    adverse_conditions: Mapping[str, float],
) -> list[Standing]:
    """Gather what the choice goes by from the rows of the bench.

    Parameters
    ----------
    rows : sequence of mapping
        Of `sim.studies.estimators.rows.bench_rows`.
    loops : sequence of mapping
        Of `sim.studies.estimators.in_loop.loop_rows`; may be empty.
    adverse_conditions : mapping of str to float
        Axis and value of each condition that counts; points that were not run are left out.

    Returns
    -------
    list of Standing
    """
    closed = {row["estimator"]: row for row in loops}
    found = []
    for row in rows:
        if row["axis"] != "nominal":
            continue
        name = row["estimator"]
        met = tuple(
            AdverseCondition(
                f"{r['axis'].replace('_', ' ')} {r['value']:g}",
                r["rms_error_px"],
                r["bound_px"],
                r["failure_rate"] + r["wrong_rate"],
            )
            for axis, value in adverse_conditions.items()
            for r in rows
            if r["estimator"] == name and r["axis"] == axis and abs(r["value"] - value) < 1e-9
        )
        loop = closed.get(name)
        found.append(
            Standing(
                name,
                row["corrected_px"],
                row["bound_px"],
                row["failure_rate"],
                row["false_accept_rate"],
                row["wrong_rate"],
                met,
                None if loop is None else loop["rms_urad"],
                0 if loop is None else loop["lost_frames"],
                row["multiply_adds"],
            )
        )
    return found
