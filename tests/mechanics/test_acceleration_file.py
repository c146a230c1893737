"""Reading recorded acceleration: the shipped record, units, and every rule with its message."""

import csv
import re
import time
from importlib.metadata import PackageNotFoundError, distribution
from pathlib import Path

import numpy as np
import pytest

from sim.foundations.errors import ProfileError
from sim.mechanics.acceleration_csv import read_acceleration_csv, read_table
from sim.mechanics.recording import STANDARD_GRAVITY_M_S2
from sim.mechanics.strong_motion_file import read_avol1

PROFILES = Path(__file__).parents[2] / "scenarios" / "profiles"
SHIPPED = PROFILES / "ridgecrest_2019_ciccc.csv"
CHANNELS = ("90 Deg", "360 Deg", "Up")
COLUMNS = ("east_g", "north_g", "up_g")


@pytest.fixture
def ciccc_path():
    """Return the earthquake record that the package gmprocess carries."""
    try:
        package = distribution("gmprocess")
    except PackageNotFoundError:
        pytest.skip("the package gmprocess, which carries the record, is not installed")
    return Path(str(package.locate_file("gmprocess/data/demo/ci38457511/raw/CICCC.RAW")))


def shipped():
    return read_acceleration_csv(SHIPPED, time_column="time_s", columns=COLUMNS, units="g")


def test_shipped_record_has_the_published_peaks():
    # The record's own header: max -.567 g at 39.410 s, -.471 g at 40.520 s, -.361 g at 38.930 s.
    record = shipped()
    at = np.abs(record.acceleration_m_s2).argmax(axis=0)
    peak_g = record.acceleration_m_s2[at, range(3)] / 9.80665
    np.testing.assert_allclose(peak_g, [-0.5667, -0.4710, -0.3612], atol=5.1e-5)
    np.testing.assert_allclose(record.first_s + at / record.rate_hz, [39.41, 40.52, 38.93])
    assert record.rate_hz == pytest.approx(100.0, rel=1e-9)
    assert record.warnings == ()


def test_shipped_record_is_the_slice_that_its_header_says(ciccc_path):
    whole = read_avol1(ciccc_path, columns=CHANNELS, units="g")
    np.testing.assert_array_equal(shipped().acceleration_m_s2, whole.acceleration_m_s2[2000:6001])
    # Peaks in m/s^2 found by a separate reader, which took off the mean of the first 500 samples.
    centred = whole.acceleration_m_s2 - whole.acceleration_m_s2[:500].mean(axis=0)
    np.testing.assert_allclose(np.abs(centred).max(axis=0), [5.5573, 4.6218, 3.5419], atol=5.1e-5)
    assert len(whole.acceleration_m_s2) == 35402
    assert "35430, 35402, 35406 samples are cut to the shortest" in whole.warnings[0]


def test_shipped_record_says_where_it_is_from():
    text = SHIPPED.read_text()
    for word in ("Units:", "Origin:", "Licence:", "Attribution:", "How made:", "CESMD", "SCSN"):
        assert word in text
    assert SHIPPED.stat().st_size < 400_000


def test_an_axis_can_be_left_out_or_swapped(ciccc_path):
    record = read_avol1(ciccc_path, columns=("Up", "", "90 Deg"), units="g")
    full = read_avol1(ciccc_path, columns=CHANNELS, units="g")
    count = len(full.acceleration_m_s2)
    np.testing.assert_array_equal(record.acceleration_m_s2[:, 1], 0.0)
    np.testing.assert_array_equal(
        record.acceleration_m_s2[:count, [0, 2]], full.acceleration_m_s2[:, [2, 0]]
    )


def write(tmp_path, *, times=None, values=None, text=None):
    """Write a small CSV: 20 samples at 100 Hz unless told otherwise."""
    path = tmp_path / "bump.csv"
    if text is None:
        times = np.arange(20) / 100 if times is None else times
        values = np.zeros(len(times)) if values is None else values
        rows = [f"{t:.6f},{v}" for t, v in zip(times, values, strict=True)]
        text = "# a remark\ntime_s,floor\n" + "\n".join(rows) + "\n"
    path.write_text(text)
    return path


def read(path, *, columns=("floor", "", ""), units="m/s^2", time_column="time_s"):
    return read_acceleration_csv(path, time_column=time_column, columns=columns, units=units)


@pytest.mark.parametrize(("units", "factor"), [("g", 9.80665), ("m/s^2", 1.0), ("gal", 0.01)])
def test_units_are_turned_into_si(tmp_path, units, factor):
    record = read(write(tmp_path, values=np.arange(20.0)), units=units)
    np.testing.assert_allclose(record.acceleration_m_s2[:, 0], factor * np.arange(20), rtol=1e-15)


def test_rounded_times_are_taken_as_even_with_a_warning(tmp_path):
    times = np.round(np.arange(200) / 256, 3)  # 256 Hz, printed to the millisecond
    record = read(write(tmp_path, times=times))
    assert record.rate_hz == pytest.approx(256.0, rel=1e-3)
    assert "of a step off an even grid" in record.warnings[0]


STEADY = np.arange(20) / 100
LATE = np.concatenate([STEADY[:10], STEADY[10:] + 0.01])
BACK = np.concatenate([STEADY[:10], [0.085], STEADY[11:]])
UNEVEN = STEADY + 0.004 * np.cos(2 * np.pi * np.arange(20) / 10)


@pytest.mark.parametrize(
    ("times", "message"),
    [
        (LATE, "line 13: no time step may exceed 1.5 times the median of 0.01 s (a gap), got 0.02"),
        (BACK, "line 13: time must rise from row to row, got 0.085 s after 0.09 s"),
        (UNEVEN, "samples must be evenly spaced within 0.2 of a step"),
        (np.arange(20) / 40, "the sample rate must be at least 50 Hz, got 40 Hz"),
        (np.arange(7) / 100, "at least 8 samples are needed, got 7"),
    ],
)
def test_bad_times_are_refused(tmp_path, times, message):
    path = write(tmp_path, times=times)
    with pytest.raises(ProfileError, match=re.escape(message)) as caught:
        read(path)
    assert str(path) in str(caught.value)


@pytest.mark.parametrize(
    ("settings", "message"),
    [
        ({"units": "mg"}, 'units "mg" are not known. Did you mean "g"? Known: g, m/s^2, gal.'),
        (
            {"columns": ("flor", "", "")},
            'column "flor" does not exist. Did you mean "floor"? Columns: time_s, floor.',
        ),
        ({"time_column": "tim_s"}, 'column "tim_s" does not exist. Did you mean "time_s"?'),
        ({"columns": ("floor",)}, 'columns must be three names for x, y, z ("" for none)'),
        ({"columns": ("", "", "")}, "columns must name at least one, got ['', '', '']"),
    ],
)
def test_bad_declarations_are_refused(tmp_path, settings, message):
    with pytest.raises(ProfileError, match=re.escape(message)):
        read(write(tmp_path), **settings)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("# only a remark\n", "a header row with column names is needed, the file has none"),
        ("time_s,floor,floor\n0,1,2\n", 'column "floor" is there 2 times'),
        ("time_s,floor\n0.00,1\n0.01\n", "line 3: a row must have 2 values like the header, got 1"),
        (
            "time_s,floor\n0.00,1\n\n0.01,nan\n",
            'line 4: "floor" must be a finite number, got "nan"',
        ),
        ("time_s,floor\n0.00,inf\n", 'line 2: "floor" must be a finite number, got "inf"'),
        ("time_s,floor\n0.00,1e\n", 'line 2: "floor" must be a finite number, got "1e"'),
        ("time_s,floor\n0.00,\n", 'line 2: "floor" must be a finite number, got ""'),
    ],
)
def test_bad_rows_are_refused(tmp_path, text, message):
    with pytest.raises(ProfileError, match=re.escape(message)):
        read(write(tmp_path, text=text))


def test_files_that_cannot_be_read_are_refused(tmp_path):
    with pytest.raises(ProfileError, match="missing.csv: cannot be read: No such file"):
        read_table(tmp_path / "missing.csv", ["a"])
    path = tmp_path / "binary.csv"
    path.write_bytes(b"time_s\n\xff\n")
    with pytest.raises(ProfileError, match="must be UTF-8 text, line 2 is not"):
        read_table(path, ["time_s"])


def avol1(tmp_path, *channels):
    """Write channels (direction, start, rate, unit, values) in the volume 1 layout."""
    lines = []
    for number, (direction, start, rate, unit, values) in enumerate(channels, start=1):
        lines += [f"X                  Start time:  {start}", f"Chan  {number}: {direction}     "]
        lines += [
            f" {len(values):5d} Accelerogram points at {rate} pts/sec in units of {unit}."
            "       Format: (8f9.6)  "
        ]
        cells = [value if isinstance(value, str) else f"{value:9.6f}" for value in values]
        lines += ["".join(cells[i : i + 8]) for i in range(0, len(cells), 8)]
        lines += [f"/&  ----------  End of Data for Station Channel   {number}  ----------"]
    path = tmp_path / "station.v1"
    path.write_text("\n".join(lines) + "\n")
    return path


VALUES = [round(0.001 * i - 0.005, 6) for i in range(19)]
UP = ("Up", "03:19:37.0", 100, "g", VALUES)


def test_volume_1_layout_is_read_back(tmp_path):
    record = read_avol1(avol1(tmp_path, UP), columns=("", "", "Up"), units="g")
    np.testing.assert_allclose(record.acceleration_m_s2[:, 2], 9.80665 * np.array(VALUES))
    assert (record.first_s, record.rate_hz) == (0.0, 100.0)


EAST = ("90 Deg", "03:19:37.0", 100, "g", VALUES)


@pytest.mark.parametrize(
    ("channels", "columns", "message"),
    [
        ([UP], ("Upp", "", ""), 'channel "Upp" does not exist. Did you mean "Up"? Channels: Up.'),
        ([], ("Up", "", ""), 'a line "N Accelerogram points at R pts/sec in units of U.'),
        ([UP, UP], ("Up", "", ""), "channels must differ in direction, got Up, Up"),
        (
            [EAST, ("Up", "03:19:38.0", 100, "g", VALUES)],
            ("90 Deg", "Up", ""),
            "line 10: channels must share rate and start time, got 100 Hz from 03:19:38.0 "
            "and 100 Hz from 03:19:37.0",
        ),
        (
            [("Up", "03:19:37.0", 100, "cm/sec2", VALUES)],
            ("Up", "", ""),
            'line 3: the declared unit must be the file\'s own, declared "g", the file says "cm',
        ),
        (
            [("Up", "03:19:37.0", 40, "g", VALUES)],
            ("Up", "", ""),
            "the sample rate must be at least 50 Hz, got 40 Hz",
        ),
        (
            [("Up", "03:19:37.0", 100, "g", VALUES[:5])],
            ("Up", "", ""),
            "at least 8 samples are needed, got 5",
        ),
        (
            [("Up", "03:19:37.0", 100, "g", [*VALUES[:9], "*********", *VALUES[9:]])],
            ("Up", "", ""),
            'line 5: "value 10" must be a finite number, got "*********"',
        ),
    ],
)
def test_bad_volume_1_files_are_refused(tmp_path, channels, columns, message):
    with pytest.raises(ProfileError, match=re.escape(message)):
        read_avol1(avol1(tmp_path, *channels), columns=columns, units="g")


def test_a_volume_1_file_that_stops_early_is_refused(tmp_path):
    path = avol1(tmp_path, UP)
    path.write_text("\n".join(path.read_text().splitlines()[:5]))
    with pytest.raises(
        ProfileError, match="line 5: 19 values announced, the file ends after 16"
    ):
        read_avol1(path, columns=("Up", "", ""), units="g")


def test_a_number_beyond_any_quantity_is_named_with_its_line(tmp_path):
    path = tmp_path / "big.csv"
    rows = [f"{k / 100},{1e308 if k == 20 else 0.1}" for k in range(50)]
    path.write_text("t,a\n" + "\n".join(rows), encoding="utf-8")
    with pytest.raises(ProfileError, match='line 22: "a" must be a finite number of at most'):
        read_acceleration_csv(path, time_column="t", columns=("a", "", ""), units="g")


def test_many_rows_are_read_faster_than_one_by_one(tmp_path):
    """A comparison, not a time: the csv module and float() read the same rows beside it."""
    rows = 60_000
    rng = np.random.default_rng(1)
    table = np.column_stack([np.arange(rows) / 1e4, rng.normal(size=(rows, 3)) * 0.3])
    path = tmp_path / "long.csv"
    np.savetxt(path, table, delimiter=",", header="t_s,ax_g,ay_g,az_g", comments="", fmt="%.6f")
    names = {"time_column": "t_s", "columns": ["ax_g", "ay_g", "az_g"], "units": "g"}

    def by_hand(path):
        with path.open(encoding="utf-8") as file:
            return [[float(cell) for cell in row] for row in list(csv.reader(file))[1:]]

    def taken_s(read):
        spent = []
        for _ in range(3):
            begun = time.process_time()
            found = read()
            spent.append(time.process_time() - begun)
        return min(spent), found

    ours_s, ours = taken_s(lambda: read_acceleration_csv(path, **names))
    plain_s, plain = taken_s(lambda: by_hand(path))
    np.testing.assert_array_equal(
        ours.acceleration_m_s2, STANDARD_GRAVITY_M_S2 * np.array(plain)[:, 1:]
    )
    assert ours_s < plain_s
    # A fault far down is found and named without reading every row one by one.
    lines = path.read_text(encoding="utf-8").splitlines()
    lines[50_001] = lines[50_001].replace(",", ",x", 1)
    path.write_text("\n".join(lines), encoding="utf-8")

    def refused():
        with pytest.raises(ProfileError, match='line 50002: "ax_g" must be a finite number'):
            read_acceleration_csv(path, **names)

    assert taken_s(refused)[0] < plain_s
