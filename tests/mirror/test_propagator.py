"""The propagator against closed forms and a plain series of small steps."""

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from sim.mirror.propagator import propagator, with_resonance_change
from tests.rig import Rig

W, Q, LAG, STEP = 2 * np.pi * 700.0, 8.0, 4e-5, 5e-5


def factors() -> np.ndarray:
    return propagator(np.array([W]), np.array([Q]), LAG, STEP)[:, 0].reshape(2, 6)


def test_free_motion_is_the_damped_oscillation() -> None:
    """Ogata, Modern Control Engineering: the free response of a second-order system."""
    zeta = 1 / (2 * Q)
    wd = W * np.sqrt(1 - zeta**2)
    e, c, s = np.exp(-zeta * W * STEP), np.cos(wd * STEP), np.sin(wd * STEP)
    expected = [
        [e * (c + zeta * W / wd * s), e * s / wd],
        [-e * W**2 / wd * s, e * (c - zeta * W / wd * s)],
    ]
    assert factors()[:, :2] == pytest.approx(np.array(expected), rel=1e-11)


def test_rest_stays_at_rest() -> None:
    """At tilt = u + f / w^2 nothing moves."""
    f = 30.0
    tilt, rate = factors() @ [0.01 + f / W**2, 0.0, 0.01, 0.01, f, f]
    assert (tilt, rate) == (pytest.approx(0.01 + f / W**2, rel=1e-13), pytest.approx(0, abs=1e-11))


def test_forced_step_agrees_with_an_integrator() -> None:
    """DOP853 at rtol 1e-12: u along the lag's exponential from u0 to u1, f along a straight."""
    decay = np.exp(-STEP / LAG)
    start = np.array([2e-3, 7.0])
    u0, u1, f0, f1 = 0.01, -0.03, 500.0, -900.0
    towards = (u1 - decay * u0) / (1 - decay)

    def slope(t: float, s: np.ndarray) -> list[float]:
        u = towards + (u0 - towards) * np.exp(-t / LAG)
        return [s[1], W**2 * (u - s[0]) - W / Q * s[1] + f0 + (f1 - f0) * t / STEP]

    expected = solve_ivp(slope, (0, STEP), start, "DOP853", rtol=1e-12, atol=1e-16).y[:, -1]
    assert factors() @ [*start, u0, u1, f0, f1] == pytest.approx(expected, rel=1e-10)


def test_mirrors_after_a_change_of_resonance_are_the_same_mirrors_at_another_resonance() -> None:
    rig = Rig(mirrors=(0, 1, 2), resonance_spread_pct=5.0, quality_spread_pct=5.0)
    nodes = None
    for change in (-1e-3, -1.2345e-3, 7e-7, 0.0, 0.0199, -0.02):
        warm, after = with_resonance_change(
            rig.fleet, rig.population, change, rig.drive, nodes
        )
        w = rig.population.resonance_rad_s.T * (1 + change)
        assert warm.stiffness == pytest.approx(w**2, rel=1e-14)
        # The exponential itself, at this very resonance; 1e-13 is what the module promises.
        exact = propagator(w, rig.population.quality.T, rig.drive.lag_s, rig.drive.step_s)
        np.testing.assert_allclose(warm.step, exact, rtol=1e-13)
        # Whatever was worked out before, the same bits: a run can be cut anywhere.
        fresh, _ = with_resonance_change(rig.fleet, rig.population, change, rig.drive)
        np.testing.assert_array_equal(warm.step, fresh.step)
        assert len(after) == 4
        nodes = after
