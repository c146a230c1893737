"""What every health watch keeps to; run these checks on your own.

>>> from mirrorloop.testing.watches import PLANT, check_watch
>>> check_watch(MyWatch(MyWatch.Params(), PLANT))
"""

from collections.abc import Callable, Iterator
from copy import deepcopy
from typing import Any, Final

import numpy as np

from mirrorloop.testing.controllers import PLANT as PLANT
from sim.foundations.ports import FaultKind, Findings, Setpoint, Sight, TiltReading, findings_fault

MIRRORS: Final = 12
FRAMES: Final = 60


def sights(n_mirrors: int = MIRRORS, *, seed: int = 1, lost: bool = False) -> Iterator[Sight]:
    """Yield frames of a fleet at rest on its aims, with noise of 30 urad and no correction.

    Parameters
    ----------
    n_mirrors : int
        Mirrors.
    seed : int
        Of the noise.
    lost : bool
        Whether all spots are lost.
    """
    rng = np.random.default_rng(seed)
    reference = rng.uniform(-0.02, 0.02, (n_mirrors, 2))
    while True:
        tilt = reference + 30e-6 * rng.standard_normal((n_mirrors, 2))
        status = np.full(n_mirrors, int(lost), np.uint8)
        yield Sight(
            TiltReading(np.where(lost, np.nan, tilt), status),
            Setpoint(reference.copy(), -0.08 - reference, 0.08 - reference),
            np.zeros((n_mirrors, 2)),
        )


def check_findings_have_their_form(watch: Any) -> None:
    """Findings are one number a mirror, of known kinds."""
    state, source = watch.initial_state(MIRRORS), sights()
    for _ in range(FRAMES):
        state, found = watch.step(state, next(source))
        assert findings_fault(found, MIRRORS) is None, findings_fault(found, MIRRORS)


def check_healthy_mirrors_raise_no_alarm(watch: Any) -> None:
    """The first frames of a quiet fleet raise no alarm."""
    state, source = watch.initial_state(MIRRORS), sights()
    for _ in range(FRAMES):
        state, found = watch.step(state, next(source))
    assert (found.kind == FaultKind.NONE).all(), found.kind


def check_lost_spots_do_no_harm(watch: Any) -> None:
    """Spots that are lost, readings NaN, give findings of the right form, and no warning."""
    state, source = watch.initial_state(MIRRORS), sights(lost=True)
    with np.errstate(all="raise"):
        for _ in range(FRAMES):
            state, found = watch.step(state, next(source))
    assert findings_fault(found, MIRRORS) is None


def check_inputs_stay(watch: Any) -> None:
    """State and sight are not changed; the same step twice gives the same."""
    state, source = watch.initial_state(MIRRORS), sights()
    for _ in range(5):
        state, _ = watch.step(state, next(source))
    sight = next(source)
    kept_state, kept_sight = deepcopy(state), deepcopy(sight)
    first = watch.step(state, sight)
    np.testing.assert_equal(state, kept_state)
    np.testing.assert_equal(sight, kept_sight)
    np.testing.assert_equal(watch.step(state, sight), first)


def check_the_order_of_mirrors_makes_no_difference(watch: Any) -> None:
    """Mirrors in another order have the same findings, in that order."""
    order = np.random.default_rng(2).permutation(MIRRORS)
    one, two = watch.initial_state(MIRRORS), watch.initial_state(MIRRORS)
    source = sights()
    for _ in range(FRAMES):
        sight = next(source)
        one, found = watch.step(one, sight)
        two, other = watch.step(two, _reordered(sight, order))
    for a, b in zip(found, other, strict=True):
        np.testing.assert_allclose(a[order], b, rtol=1e-9, atol=1e-12)


def check_forgetting_is_beginning(watch: Any) -> None:
    """A watch that forgets all mirrors is as before the first frame, and others are left alone."""
    state, source = watch.initial_state(MIRRORS), sights()
    for _ in range(5):
        state, _ = watch.step(state, next(source))
    sight = next(source)
    none = np.zeros(MIRRORS, bool)
    np.testing.assert_equal(
        watch.step(watch.forget(state, none), sight)[1], watch.step(state, sight)[1]
    )
    every = watch.step(watch.forget(state, ~none), sight)[1]
    fresh = watch.step(watch.initial_state(MIRRORS), sight)[1]
    np.testing.assert_equal(every.kind, fresh.kind)


def _reordered(sight: Sight, order: Any) -> Sight:
    return Sight(
        TiltReading(*(each[order] for each in sight.reading)),
        Setpoint(*(each[order] for each in sight.setpoint)),
        sight.correction_rad[order],
    )


CHECKS: Final[tuple[Callable[[Any], None], ...]] = (
    check_findings_have_their_form,
    check_healthy_mirrors_raise_no_alarm,
    check_lost_spots_do_no_harm,
    check_inputs_stay,
    check_the_order_of_mirrors_makes_no_difference,
    check_forgetting_is_beginning,
)


def check_watch(watch: Any) -> None:
    """Raise an AssertionError at the first rule that a watch built for PLANT breaks.

    Parameters
    ----------
    watch : Watch
        Fresh, constructed for PLANT.
    """
    for check in CHECKS:
        check(watch)


__all__ = ["CHECKS", "PLANT", "Findings", "check_watch", "sights"]
