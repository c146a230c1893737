"""What `--vary` accepts, and what it says when it does not."""

import numpy as np
import pytest
from scipy import stats

from sim.studies.sweep.errors import SweepError
from sim.studies.sweep.vary import Distribution, parse_vary, toml


@pytest.mark.parametrize(
    ("text", "values"),
    [
        ("camera.signal_e=5000,10000,20000", (5000, 10000, 20000)),
        ("a.b = 1.5", (1.5,)),
        ("a=5..20/4", (5, 10, 15, 20)),  # whole ends, whole steps: whole numbers
        ("a=0..1/3", (0.0, 0.5, 1.0)),
        ("a=0.1..0.5/5", (0.1, 0.2, 0.3, 0.4, 0.5)),  # no 0.30000000000000004
        ("a=-1e-3..1e-3/2", (-1e-3, 1e-3)),
        ("a=2..1/2", (2, 1)),
        ("controller.kind=pi,lqg", ("pi", "lqg")),
        ('a="x, y",z', None),
        ('a="x, y","z"', ("x, y", "z")),
        ("a=[700.0,760.0],[600.0,650.0]", ([700.0, 760.0], [600.0, 650.0])),
        ("a=true,false", (True, False)),
    ],
)
def test_lists_and_ranges(text, values):
    if values is None:  # half quoted: split at every comma, as bare words are
        assert parse_vary(text).values == ('"x', 'y"', "z")
        return
    got = parse_vary(text)
    assert got.values == values
    assert [type(v) for v in got.values] == [type(v) for v in values]
    assert got.distribution is None


def test_distributions():
    got = parse_vary("camera.signal_e=uniform(5000, 20000)")
    assert got.path == "camera.signal_e"
    assert got.distribution == Distribution("uniform", 5000.0, 20000.0)


# The laws as scipy.stats has them; agreement to rounding of a few operations.
@pytest.mark.parametrize(
    ("law", "frozen"),
    [
        (Distribution("uniform", 2.0, 5.0), stats.uniform(2.0, 3.0)),
        (Distribution("loguniform", 0.1, 50.0), stats.loguniform(0.1, 50.0)),
        (Distribution("normal", 3.0, 0.2), stats.norm(3.0, 0.2)),
    ],
)
def test_quantiles_are_those_of_scipy(law, frozen):
    p = np.linspace(0.001, 0.999, 41)
    np.testing.assert_allclose(law.quantile(p), frozen.ppf(p), rtol=1e-13)
    assert np.isfinite(law.quantile([0.0, 1.0])).all()


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("camera.signal_e", r"--vary needs PATH=.*\(got 'camera.signal_e'\)"),
        ("=5", "--vary needs PATH="),
        ("a=", "--vary needs PATH="),
        ("a=,", "--vary"),
        ("a=1,,2", "a value is missing between commas"),
        ("a=1,2,1", r"every value may stand once \(got 1 again\)"),
        ("seed=1,2", "the seed is varied by --seeds"),
        ("a=1..2", "a range needs /COUNT, a whole number from 2 to 100000"),
        ("a=1..2/99999999999", "a whole number from 2 to 100000"),
        ("a=1..2/" + "9" * 5000, "a whole number from 2 to 100000"),
        ("a=1..2/1", "a range needs /COUNT"),
        ("a=1..2/x", "a range needs /COUNT"),
        ("a=1..1/3", "the ends of a range must differ"),
        ("a=low..high/3", "a range is written LOW..HIGH/COUNT"),
        ("a=gamma(1,2)", 'unknown distribution "gamma". Known: loguniform, normal, uniform'),
        ("a=uniform(1)", r"uniform needs two numbers \(got '1'\)"),
        ("a=uniform(1,inf)", "uniform needs finite numbers"),
        ("a=uniform(2,1)", r"LOW must be below HIGH \(got 2 and 1\)"),
        ("a=loguniform(0,1)", r"LOW must be above 0 \(got 0\)"),
        ("a=normal(1,0)", r"the standard deviation must be above 0 \(got 0\)"),
        ("a=nan", r"a value is a finite number, .* \(got nan\)"),
        ("a={b=1}", "a value is a finite number"),
    ],
)
def test_what_is_refused(text, message):
    with pytest.raises(SweepError, match=message):
        parse_vary(text)


@pytest.mark.parametrize("value", [5, 1e-05, 0.1, True, "a b", 'say "no"', [1.5, [2, "x"]]])
def test_values_come_back_from_toml(value):
    import tomllib

    assert tomllib.loads(f"v = {toml(value)}")["v"] == value
