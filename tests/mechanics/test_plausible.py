"""Records that cannot be what they are declared to be are refused, and real ones are not."""

import numpy as np
import pytest

from sim.disturbances.record import Record, RecordParams
from sim.foundations.errors import ProfileError
from sim.foundations.ports import Clock, Site
from sim.mechanics.acceleration_csv import CsvLayout, read_acceleration_csv, read_table
from sim.mechanics.plausible import HINTS, TIME_HINTS, hinted

SETTINGS = {
    "kind": "record", "file": "r.csv", "units": "g", "time_column": "t", "columns": ("a", "", ""),
    "start_at_ms": 0.0, "remove_mean": False,
}  # fmt: skip


def half_sine(rate_hz=51_200.0, peak=30.0, duration_s=0.011):
    """A pulse of a shock machine with quiet around it; time [s] and acceleration [g]."""
    time = np.arange(int(3 * duration_s * rate_hz)) / rate_hz
    inside = (time > duration_s) & (time < 2 * duration_s)
    return time, np.where(inside, peak * np.sin(np.pi * (time - duration_s) / duration_s), 0.0)


def played(tmp_path, time, value, head="t,a", sign=",", **changes):
    rows = "\n".join(f"{t:.9g}{sign}{a:.9g}" for t, a in zip(time, value, strict=True))
    (tmp_path / "r.csv").write_text(f"{head}\n{rows}\n", encoding="utf-8")
    site = Site(Clock(5e-5, 20, 2000), np.arange(2), (1, 64), tmp_path)
    return Record(RecordParams(**(SETTINGS | changes)), site)


def test_a_shock_of_the_laboratory_is_accepted_and_time_in_ms_is_read(tmp_path):
    time, value = half_sine()
    # Velocity change of a half-sine, 2 A D / pi: 30 g, 11 ms: 2.06 m/s, far below the bound.
    record = played(tmp_path, 1e3 * time, value, time_unit="ms")
    assert record.rate_hz == pytest.approx(51_200.0, rel=1e-6)
    assert record.event.to_s == pytest.approx(time[-1], rel=1e-6)
    assert record.event.peak_s == pytest.approx(1.5 * 0.011, abs=2e-5)


def test_time_in_ms_that_is_read_as_s_is_asked_about(tmp_path):
    # 51.2 samples/s, an 11 s long pulse of A = 294.2 m/s^2 in a record three times as long. About
    # the mean, 2A/(3 pi), the velocity rises while sin > 2/(3 pi), from phi = 0.2138 rad on: by
    # 2 (A D/pi) cos(phi) - 2A/(3 pi) D (1 - 2 phi/pi) = 2013.4 - 593.3 = 1420 m/s.
    time, value = half_sine()
    with pytest.raises(ProfileError, match=r"changes the velocity of the base by 1420 m/s"):
        played(tmp_path, 1e3 * time, value)
    assert played(tmp_path, 1e3 * time, value, accept_implausible=True).rate_hz < 52


def test_gal_declared_as_g_is_asked_about(tmp_path):
    time, value = half_sine(rate_hz=2000.0, peak=0.3)
    with pytest.raises(ProfileError, match=r"reaches 294(\.\d)? g if its unit is g"):
        played(tmp_path, time, 980.665 * value)


@pytest.mark.parametrize(
    ("value", "rule"),
    [(0.0 * np.arange(400), "holds zeros alone"), (np.arange(400) / 200.0, "rises as the time"),
     (np.arange(400) / 0.2, "rises as the time")],
)  # fmt: skip
def test_columns_that_are_no_acceleration_are_refused(tmp_path, value, rule):
    with pytest.raises(ProfileError, match=f'column "a" {rule}'):
        played(tmp_path, np.arange(400) / 200.0, value)


@pytest.mark.parametrize(
    ("head", "changes", "words"),
    [
        ("t_ms,a", {"time_column": "t_ms"}, 'is in ms by its name, time_unit says "s"'),
        ("t,ax_gal", {"columns": ("ax_gal", "", "")}, 'is in gal by its name, units says "g"'),
        ("t,a [m/s^2]", {"columns": ("a [m/s^2]", "", "")}, "is in m/s^2 by its name"),
        ("t,a", {"columns": ("t", "", "")}, 'column "t" is the time'),
    ],
)
def test_names_that_speak_against_the_declaration_are_believed(tmp_path, head, changes, words):
    time, value = half_sine(rate_hz=2000.0)
    with pytest.raises(ProfileError) as caught:
        played(tmp_path, time, value, head, **changes)
    assert words in str(caught.value)


def test_units_at_the_end_of_a_name():
    got = [hinted(n, HINTS) for n in ("ax_g", "a (g)", "east_gal", "a_m_s2", "floor", "avg", "z")]
    assert got == ["g", "g", "gal", "m/s^2", None, None, None]
    assert [hinted(n, TIME_HINTS) for n in ("time_s", "t [ms]", "t_us", "t", "hours")] == [
        "s", "ms", "us", None, None]  # fmt: skip


def test_other_separators_are_named_and_can_be_set(tmp_path):
    time, value = half_sine(rate_hz=2000.0)
    with pytest.raises(ProfileError, match='separated by \';\'; set delimiter = ";"'):
        played(tmp_path, time, value, "t;a", ";")
    assert played(tmp_path, time, value, "t;a", ";", delimiter=";").rate_hz == pytest.approx(2000)


def test_lines_before_the_header_and_other_remarks_are_skipped(tmp_path):
    path = tmp_path / "r.csv"
    rows = "\n".join(f"{i / 200},{(-1) ** i}" for i in range(20))
    path.write_text(f"Logger 7\n3 channels\nt,a\n% paused\n{rows}\n", encoding="utf-8")
    read = read_acceleration_csv(
        path, time_column="t", columns=("a", "", ""), units="m/s^2",
        layout=CsvLayout(skip_rows=2, comment="%"),
    )  # fmt: skip
    assert len(read.acceleration_m_s2) == 20 and read.source == "paused"


@pytest.mark.parametrize("cell", ["9" * 131_073, "1e309"])
def test_absurd_cells_get_a_message(tmp_path, cell):
    path = tmp_path / "r.csv"
    path.write_text(f"t,a\n0,1\n1,{cell}\n", encoding="utf-8")
    with pytest.raises(ProfileError, match="line 3: ") as caught:
        read_table(path, ["t", "a"])
    assert len(str(caught.value)) < 300


def test_fast_and_careful_reading_give_the_same_bits(tmp_path):
    rng = np.random.default_rng(3)
    rows = [f"{a!r},{b:.6f}" for a, b in rng.normal(size=(500, 2)).tolist()]
    for name, lines in (("fast", rows), ("slow", [*rows[:-1], f'"{rows[-1].split(",")[0]}",0.5'])):
        (tmp_path / f"{name}.csv").write_text("\n".join(["t,a", *lines]), encoding="utf-8")
    fast, slow = (read_table(tmp_path / f"{n}.csv", ["a", "t"]).values for n in ("fast", "slow"))
    np.testing.assert_array_equal(fast[:-1], slow[:-1])
    np.testing.assert_array_equal(fast[:, 1], [float(row.split(",")[0]) for row in rows])
