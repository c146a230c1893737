"""Figures as they are printed, by hand."""

import math

import pytest

from sim.results.units import number, number_beside, unit_sign, with_signs


@pytest.mark.parametrize(
    ("value", "unit", "said"),
    [
        (None, "dB", "no figure"),
        (math.nan, "dB", "no figure"),
        ("never", "ms", "never"),
        (True, "", "True"),
        (1.23456, "dB", "1.235 dB"),
        (1234.56, "urad", "1234.6 µrad"),
        (12, "ms", "12.00 ms"),
        (0.05, "Hz", "0.1 Hz"),
        (0, "", "0"),
    ],
)
def test_a_figure_with_its_unit(value, unit, said):
    assert number(value, unit) == said


def test_signs_of_units():
    assert number(1.0, "um", plain=True) == "1.0 um" and number(1.0, "um") == "1.0 µm"
    assert unit_sign("m/s^2") == "m/s²" and unit_sign("m/s^2", plain=True) == "m/s^2"
    assert with_signs("3 urad in 5 us, 2 m/s^2 [um]; us two") == (
        "3 µrad in 5 µs, 2 m/s² [µm]; us two"
    )


def test_beside_a_limit_there_are_as_many_decimals_as_tell_the_side():
    assert number_beside(1.0, 1.0, "dB") == "1.000 dB"
    assert number_beside(1.00001, 1.0, "dB") == "1.00001 dB"
    assert number_beside(2.0, 1.0, "dB") == "2.000 dB"
