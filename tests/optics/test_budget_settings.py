"""Settings of band and budget that must fit together."""

import pytest

from sim.optics.budgets import BandParams

GOLD = ((1200.0, 0.4, 8.0), (1400.0, 0.5, 9.0))


def band(start=1260.0, stop=1360.0, **more):
    return BandParams.model_validate({"start_nm": start, "stop_nm": stop, "held": "fibre"} | more)


def test_a_band_goes_upward():
    assert band().stop_nm == 1360.0
    for stop in (1260.0, 1250.0):
        with pytest.raises(ValueError, match="stop_nm must exceed start_nm"):
            band(stop=stop)


def test_a_metal_is_known_over_the_whole_band():
    assert band(metal=GOLD).metal == GOLD
    assert band(1200.0, 1400.0, metal=GOLD).metal == GOLD
    with pytest.raises(ValueError, match="rising wavelengths"):
        band(metal=GOLD[::-1])
    with pytest.raises(ValueError, match="rising wavelengths"):
        band(metal=(GOLD[0], *GOLD))
    for start, stop in ((1199.0, 1300.0), (1300.0, 1401.0)):
        with pytest.raises(ValueError, match="metal"):
            band(start, stop, metal=GOLD)
