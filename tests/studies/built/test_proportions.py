"""Shares of switches and spare ports against the binomial law."""

import numpy as np
import pytest
from scipy import stats

from sim.studies.built.spares import rescue
from sim.studies.built.study import as_if_independent
from sim.studies.connections.intervals import exact_interval


# No failure in n: the one-sided 95 % bound is 1 - 0.05^(1/n), about 3/n (exact).
@pytest.mark.parametrize(
    "count, bound", [(59, 0.0495076), (100, 0.0295130), (299, 0.0099691), (1000, 0.0029912)]
)
def test_no_failure_proves_three_over_n(count, bound):
    assert exact_interval(0, count, 0.90)[1] == pytest.approx(bound, abs=1e-7)
    assert 1 - exact_interval(count, count, 0.90)[0] == pytest.approx(bound, abs=1e-7)


def test_how_many_switches_prove_a_yield():
    """299 without a failure show 99 %, 473 with one: the fewest, both one-sided at 95 %."""
    for count, failures in ((299, 0), (473, 1)):
        assert exact_interval(failures, count, 0.90)[1] < 0.01
        assert exact_interval(failures, count - 1, 0.90)[1] > 0.01


def test_why_intervals_are_exact():
    """At 50 trials of 2 %, plain intervals hold the truth 63.5 %, Wilson's 92.2 % of the time."""
    x = np.arange(51)
    weight, share, z = stats.binom.pmf(x, 50, 0.02), x / 50, stats.norm.ppf(0.975)
    half = z * np.sqrt(share * (1 - share) / 50)
    wald = weight[(share - half <= 0.02) & (share + half >= 0.02)].sum()
    wilson = weight[(share - 0.02) ** 2 <= z**2 * 0.02 * 0.98 / 50].sum()
    held = [low <= 0.02 <= high for low, high in (exact_interval(int(k), 50) for k in x)]
    assert wald == pytest.approx(0.63535, abs=5e-6)
    assert wilson == pytest.approx(0.92157, abs=5e-6)
    assert weight[held].sum() == pytest.approx(0.98224, abs=5e-6) and weight[held].sum() > 0.95


# Inputs that are good with 99 %, spares that need not be: 0.952517 for 320 of 326, 0.999413 for
# 320 of 330, by the binomial law.
@pytest.mark.parametrize("ports, share", [(326, 0.952517), (330, 0.999413)])
def test_spare_ports_rescue_as_the_binomial_law_says(ports, share):
    saved = []
    for failed in range(14):
        bad = np.zeros((ports, 12), bool)
        bad[:failed] = True  # a bad input spoils its connection with every output
        saved.append(rescue(bad, ports - 320, 3) is not None)
    law = stats.binom.pmf(np.arange(14), ports, 0.01)
    assert law[saved].sum() == pytest.approx(share, abs=1e-6)


# By arithmetic: p to the power of N.
@pytest.mark.parametrize(
    "good, count, power, share",
    [(999, 1000, 32, 0.968491), (999, 1000, 1024, 0.358971), (9999, 10000, 1024, 0.902664)],
)
def test_what_would_be_if_connections_were_independent(good, count, power, share):
    """The figure that the study shows beside the true one."""
    assert as_if_independent(good / count, power) == pytest.approx(share, abs=1e-6)
    # For 95 % of 1024 to be good, no more than 5.00899e-5 may be bad.
    assert as_if_independent(1 - 5.00899e-5, 1024) == pytest.approx(0.95, abs=1e-7)


def test_the_largest_of_59_covers_95_percent_with_95_percent():
    """Wilks: 1 - 0.95^59 = 0.951505, the one-sided bound of no failure in 59 turned round."""
    assert exact_interval(0, 59, 0.90)[1] < 0.05 < exact_interval(0, 58, 0.90)[1]
    assert 1 - (1 - exact_interval(0, 59, 0.90)[1]) ** 59 == pytest.approx(0.95, abs=1e-9)
    assert stats.binom.sf(0, 59, 0.05) == pytest.approx(0.951505, abs=1e-6)
