"""Where a law rounds, and how far each rounding is from a tie: the places where models differ."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.firmware.fixed_law import FixedLaw, FixedState
from sim.firmware.rounding import Whole, shifted


class RoundingSite(NamedTuple):
    """A rounding of a law, on one axis."""

    stage: str
    """"seen", "lost" or "section"."""
    row: int
    """Of the law (states, then the correction), or number of the section."""
    part: int
    """0: x, 1: y."""

    @property
    def words(self) -> str:
        """As a reader knows it."""
        axis = "xy"[self.part]
        if self.stage == "section":
            return f"section {self.row}, {axis}"
        return f"{self.stage}: row {self.row}, {axis}"


class Rounded(NamedTuple):
    """What a site rounds, in each of N steps."""

    shift: int
    """Bits that go; nothing is rounded at 0 and below."""
    total: Whole
    """(N,) before the shift."""
    taken: NDArray[np.bool_]
    """(N,) whether the step goes through this site at all."""

    @property
    def from_tie(self) -> Whole:
        """(N,) units of the total above a tie; below it where negative."""
        half = np.int64(1) << np.int64(self.shift - 1)
        return (self.total & ((np.int64(1) << np.int64(self.shift)) - 1)) - half


def law_of_rows(law: FixedLaw, mirrors: NDArray[np.int64]) -> FixedLaw:
    """Return the law with a set of coefficients for each row, as if each were a mirror."""

    def each(array: Whole, axis: int) -> Whole:
        if array.shape[axis] == 1:
            return array
        return np.asarray(np.take(array, mirrors, axis=axis))

    sections = each(law.sections, 1) if len(law.sections) else law.sections
    return law._replace(
        rows=each(law.rows, 1), sections=sections, standing=each(law.standing, 0)
    )


def never_rounds(law: FixedLaw, site: RoundingSite) -> bool:
    """Whether a site never rounds: its coefficients bridge the shift without a rest."""
    if site.stage == "section":
        return law.section_shift <= 0
    which = ("seen", "lost").index(site.stage)
    shift = int(law.shifts[which][site.row])
    if shift <= 0:
        return True
    row = law.rows[which][:, site.part, site.row]
    used = row[:, 1:] if site.stage == "lost" else row  # a lost spot has no mismatch
    return not (used & ((np.int64(1) << np.int64(shift)) - 1)).any()


def sites_of(law: FixedLaw) -> tuple[RoundingSite, ...]:
    """Return every rounding of a law."""
    rows = range(len(law.formats.states) + 1)
    stages = [("section", range(len(law.sections))), ("seen", rows), ("lost", rows)]
    return tuple(
        RoundingSite(stage, row, part)
        for stage, numbers in stages for row in numbers for part in (0, 1)
    )


def roundings(
    law: FixedLaw, before: FixedState, mismatch: Whole, seen: NDArray[np.bool_]
) -> dict[RoundingSite, Rounded]:
    """Return what each site rounds in each of N steps; arguments as for `fixed_step`.

    Worked out beside `fixed_step`, in the order that its docstring and docs/firmware.md state.
    """
    f = law.formats
    found: dict[RoundingSite, Rounded] = {}
    value = f.position.saturated(mismatch) << (f.value.fraction - f.position.fraction)
    everywhere = np.ones(len(mismatch), bool)
    for number, section in enumerate(law.sections):
        total = section[..., 0] * value + before.filters[..., number, 0]
        for part in (0, 1):
            found[RoundingSite("section", number, part)] = Rounded(
                law.section_shift, total[:, part], everywhere
            )
        value = f.value.saturated(shifted(total, law.section_shift, law.rounding))
    fresh = law.previous & ~before.known[..., None]
    x = np.where(fresh, value[..., None], before.states)
    for which, stage in enumerate(("seen", "lost")):
        given = value if stage == "seen" else np.zeros_like(value)
        taken = seen if stage == "seen" else ~seen
        words = x
        for row in range(len(f.states) + 1):
            after = words if row < len(f.states) else _afters(law, which, x, given, before)
            c = law.rows[which][..., row, :]
            total = c[..., 0] * given + c[..., -1] * before.correction
            total = total + (c[..., 1:-1] * after).sum(axis=-1)
            for part in (0, 1):
                found[RoundingSite(stage, row, part)] = Rounded(
                    int(law.shifts[which][row]), total[:, part], taken[:, part]
                )
    return found


def _afters(law: FixedLaw, which: int, x: Whole, value: Whole, before: FixedState) -> Whole:
    c = law.rows[which][..., :-1, :]
    total = c[..., 0] * value[..., None] + c[..., -1] * before.correction[..., None]
    total = total + np.einsum("...ij,...j->...i", c[..., 1:-1], x)
    words = [
        form.saturated(shifted(total[..., i], int(law.shifts[which][i]), law.rounding))
        for i, form in enumerate(law.formats.states)
    ]
    return np.stack(words, axis=-1) if words else np.empty_like(x)
