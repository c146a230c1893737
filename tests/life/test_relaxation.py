"""Charging under a changing bias: the sum of exponentials against Boltzmann's superposition."""

import numpy as np
import pytest

from sim.disturbances.slow import stretched_exponential
from sim.foundations.errors import ScenarioError
from sim.life.relaxation import relaxation_of


def kohlrausch(tau_s, beta):
    return lambda time_s: stretched_exponential(np.maximum(time_s, 0.0), tau_s, beta)


@pytest.mark.parametrize(
    ("tau_s", "beta"), [(1000.0, 0.5), (1e5, 0.3), (1e4, 0.9), (1e4, 1.0), (1e8, 0.5)]
)
def test_the_sum_is_the_response(tau_s, beta):
    relaxation = relaxation_of(kohlrausch(tau_s, beta))
    time_s = np.geomspace(1.0, 1e10, 777)
    exact = stretched_exponential(time_s, tau_s, beta)
    np.testing.assert_allclose(relaxation.response(time_s), exact, atol=1e-4)
    assert (relaxation.weights > 0).all()


def went(relaxation, steps, at_s):
    """Return the shift at times, from (time, bias) steps, part by part without a history."""
    come, bias, now, out = np.zeros(len(relaxation.tau_s)), 0.0, 0.0, []
    events = sorted([(t, 0, v) for t, v in steps] + [(t, 1, 0.0) for t in at_s])
    for time_s, ask, value in events:
        come = bias - (bias - come) * np.exp(-(time_s - now) / relaxation.tau_s)
        now = time_s
        if ask:
            out.append(float(relaxation.weights @ come))
        else:
            bias = value
    return out


def test_bias_on_down_and_off_again():
    # 50 V at 0, 20 V at 3600, 0 at 7200 s; Kohlrausch (1000 s, 0.5). Sum of steps times the
    # response, worked out by the integral of V d(phi) and by the spectrum of relaxation times.
    relaxation = relaxation_of(kohlrausch(1000.0, 0.5))
    at_s = (3599.999999, 5400.0, 7199.999999, 10800.0, 20000.0)
    found = went(relaxation, [(0.0, 50.0), (3600.0, 20.0), (7200.0, 0.0)], at_s)
    np.testing.assert_allclose(
        found, [42.501849, 22.947400, 21.081964, 3.179885, 0.510481], atol=2e-4
    )


def test_the_shift_rises_again_after_a_short_opposite_bias():
    # +50 V for 3600 s, -50 V for 60 s, then 0: 20.893439 at 3660 s, then it rises to 24.710095
    # after 29.854 s before it falls: no law of the present value alone can do that.
    relaxation = relaxation_of(kohlrausch(1000.0, 0.5))
    at_s = (3660.0, 3689.854, 3900.0)
    steps = [(0.0, 50.0), (3600.0, -50.0), (3660.0, 0.0)]
    first, top, later = went(relaxation, steps, at_s)
    assert first == pytest.approx(20.893439, abs=2e-3)
    assert top == pytest.approx(24.710095, abs=2e-3) and later < top


def test_what_does_not_only_relax_is_refused():
    with pytest.raises(ScenarioError, match="only relaxes"):
        relaxation_of(lambda time_s: np.sin(time_s / 1000.0))
