"""A population that was measured: read by its columns, and refused by line, column and rule."""

import numpy as np
import pytest

from sim.foundations.errors import ProfileError
from sim.mirror.population import MirrorParams, draw_population
from sim.mirror.population_file import KNOWN, USED, read_population
from tests.rig import MIRROR

HEAD = "mirror,axis,resonance_hz,quality,gain,delay_us,cross_axis"
MIRRORS = np.array([7, 3])


def read(tmp_path, *rows, head=HEAD):
    path = tmp_path / "population.csv"
    path.write_text("\n".join([head, *rows]) + "\n", encoding="utf-8")
    return read_population(path, MIRRORS)


def test_values_reach_their_mirror_and_axis_and_the_rest_is_missing(tmp_path):
    found = read(
        tmp_path, "3,x,500,20,1.1,4,0.01", " 7 , y , 600 ,30,,0.5,-0.4", "123456789,x,1,1,1,1,0",
    )  # fmt: skip
    assert found.keys() == USED.keys()
    nan = np.nan
    wanted = {
        "resonance_hz": [[nan, 600.0], [500.0, nan]],
        "quality": [[nan, 30.0], [20.0, nan]],
        "gain": [[nan, nan], [1.1, nan]],
        "delay_us": [[nan, 0.5], [4.0, nan]],
        "cross_axis": [[nan, -0.4], [0.01, nan]],
    }
    for name, values in wanted.items():
        np.testing.assert_array_equal(found[name], values)


def test_columns_that_are_needed_alone_will_do_and_intervals_are_not_read(tmp_path):
    found = read(tmp_path, "3,y,500,20", head="mirror,axis,resonance_hz,quality")
    assert found["quality"][1, 1] == 20.0 and np.isnan(found["gain"]).all()
    found = read(tmp_path, "3,y,500,20,oops,1", head=",".join(KNOWN[:6]))
    assert found["resonance_hz"][1, 1] == 500.0


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        (["3,x,500,20,1,1"], r"line 2: must have 7 fields \(got 6\)"),
        (["3,x,500,20,1,1,0", "7,x,500,20,1,1,0,0"], r"line 3: must have 7 fields \(got 8\)"),
        (["3,z,500,20,1,1,0"], r"line 2: axis: must be x or y \(got 'z'\)"),
        (["three,x,500,20,1,1,0"], r"line 2: mirror: must be a number \(got 'three'\)"),
        (["1234567890,x,500,20,1,1,0"], r"mirror: must be a number \(got '1234567890'\)"),
        (["3,x,500,20,1,1,0", "3,x,501,20,1,1,0"], "line 3: mirror 3, axis x occurs twice"),
        (["3,x,0,20,1,1,0"], r"resonance_hz: must be a number above 0 \(got '0'\)"),
        (["3,x,500,-1,1,1,0"], r"quality: must be a number above 0 \(got '-1'\)"),
        (["3,x,500,20,0.2,1,0"], r"gain: must be a number above 0.2 and below 5 \(got '0.2'\)"),
        (["3,x,500,20,5,1,0"], r"gain: must be a number above 0.2 and below 5 \(got '5'\)"),
        (["3,x,500,20,1,1,0.5"], "cross_axis: must be a number above -0.5 and below 0.5"),
        (["3,x,500,20,1,1,-0.5"], "cross_axis: must be a number above -0.5 and below 0.5"),
        (["3,x,fast,20,1,1,0"], r"resonance_hz: must be a number above 0 \(got 'fast'\)"),
        (["3,x,nan,20,1,1,0"], "resonance_hz: must be a number above 0"),
        (["3,x,inf,20,1,1,0"], "resonance_hz: must be a number above 0"),
    ],
)
def test_a_row_that_breaks_a_rule_is_named(tmp_path, rows, words):
    with pytest.raises(ProfileError, match=words):
        read(tmp_path, *rows)


def test_the_same_mirror_may_stand_once_for_each_axis(tmp_path):
    found = read(tmp_path, "3,x,500,20,1,1,0", "3,y,501,21,1,1,0")
    np.testing.assert_array_equal(found["resonance_hz"][1], [500.0, 501.0])


@pytest.mark.parametrize(
    ("head", "words"),
    [
        ("mirror,axis,quality", 'column "resonance_hz" is missing'),
        (HEAD.replace("gain", "gian"), 'unknown column "gian". Did you mean "gain"?'),
        ("", 'column "mirror" is missing'),
    ],
)
def test_columns_are_checked_by_name(tmp_path, head, words):
    with pytest.raises(ProfileError, match=words):
        read(tmp_path, head=head)


def test_an_empty_file_has_no_columns(tmp_path):
    (tmp_path / "empty.csv").write_text("")
    with pytest.raises(ProfileError, match='column "mirror" is missing'):
        read_population(tmp_path / "empty.csv", MIRRORS)


def test_what_is_no_table_is_refused(tmp_path):
    with pytest.raises(ProfileError, match="is no table in CSV"):
        read(tmp_path, "3,x," + "5" * 200_000 + ",20,1,1,0")  # csv holds 131 072 to a field


def test_measured_mirrors_take_the_place_of_drawn_ones(tmp_path):
    # Mirror 3, axis x is measured in all, mirror 7, axis y in resonance and quality alone.
    read(tmp_path, "3,x,500,20,1.25,4,0.01", "7,y,600,30,,,")
    spread = MIRROR | {"resonance_spread_pct": 5.0, "quality_spread_pct": 4.0,
                       "cross_axis": (0.02, -0.03)}  # fmt: skip
    drawn = draw_population(MirrorParams(**spread), MIRRORS, 11, 0.5)
    file = {"population": str(tmp_path / "population.csv")}
    found = draw_population(MirrorParams(**(spread | file)), MIRRORS, 11, 0.5)
    wanted = {name: getattr(drawn, name).copy() for name in drawn._fields}
    wanted["resonance_rad_s"][[1, 0], [0, 1]] = 2 * np.pi * np.array([500.0, 600.0])
    wanted["quality"][[1, 0], [0, 1]] = 20.0, 30.0
    wanted["calibration_ratio"][1, 0] = 1 / 1.25
    wanted["cross_axis"][1, 0], wanted["delay_s"][1, 0] = 0.01, 4e-6
    for name, values in wanted.items():
        np.testing.assert_allclose(getattr(found, name), values, rtol=1e-14, err_msg=name)
    assert np.isnan(drawn.delay_s).all()
    assert drawn.cross_axis.tolist() == [[0.02, -0.03], [0.02, -0.03]]
