"""Every shipped watch keeps the contract of watches; so does none that breaks it."""

import numpy as np
import pytest
from mirrorloop.testing import watches

from sim.foundations.ports import FaultKind, Findings
from sim.health import WATCHES
from sim.health.thresholds import Thresholds, ThresholdsParams


@pytest.mark.parametrize("check", watches.CHECKS, ids=lambda check: check.__name__)
@pytest.mark.parametrize("kind", sorted(WATCHES))
def test_every_watch_keeps_the_contract(kind, check):
    watch = WATCHES[kind]
    check(watch(watch.Params(), watches.PLANT))


def test_a_watch_that_cries_wolf_is_caught():
    class Nervous(Thresholds):
        def step(self, state, sight):
            state, found = super().step(state, sight)
            return state, found._replace(kind=np.full_like(found.kind, FaultKind.NOISY))

    with pytest.raises(AssertionError):
        watches.check_watch(Nervous(ThresholdsParams(), watches.PLANT))


def test_a_watch_with_other_shapes_is_caught():
    class Short(Thresholds):
        def step(self, state, sight):
            state, found = super().step(state, sight)
            return state, Findings(found.kind[:1], found.evidence, found.gain)

    with pytest.raises(AssertionError, match="kind must be of shape"):
        watches.check_watch(Short(ThresholdsParams(), watches.PLANT))


def test_plain_limits_act_where_they_say():
    watch = Thresholds(ThresholdsParams(), watches.PLANT)
    state = watch.initial_state(watches.MIRRORS)
    for sight in (s for s, _ in zip(watches.sights(lost=True), range(10), strict=False)):
        state, found = watch.step(state, sight)
    assert (found.kind == FaultKind.LOST).all() and found.evidence == pytest.approx(1.0)
