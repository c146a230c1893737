"""Arrhenius' factor against worked values."""

import numpy as np
import pytest

from sim.life.arrhenius import acceleration


@pytest.mark.parametrize(
    ("energy_ev", "factor"), [(0.3, 6.457279), (0.7, 77.64539), (1.0, 501.3780)]
)
def test_from_55_to_125_degrees(energy_ev, factor):
    # exp(Ea/k (1/328.15 - 1/398.15)), k = 8.617333e-5 eV/K (CODATA), worked out in joules too.
    assert float(acceleration(125.0, 55.0, energy_ev)) == pytest.approx(factor, rel=1e-6)


def test_from_40_to_85_degrees():
    assert float(acceleration(85.0, 40.0, 0.7)) == pytest.approx(26.03052, rel=1e-6)


def test_a_swing_ages_more_than_its_mean():
    # 25 degC with a swing of 15 K and 0.7 eV: mean factor 1.469422, as 29.2720 degC held.
    turn = np.linspace(0, 2 * np.pi, 20001)[:-1]
    mean = acceleration(25.0 + 15.0 * np.sin(turn), 25.0, 0.7).mean()
    assert mean == pytest.approx(1.469422, rel=1e-6)
    assert float(acceleration(29.2720, 25.0, 0.7)) == pytest.approx(mean, rel=1e-5)


def test_no_energy_is_no_difference():
    assert float(acceleration(90.0, 20.0, 0.0)) == 1.0
