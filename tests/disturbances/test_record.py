"""Records in a run: resampling, placing, slicing, what is altered and what is told."""

import re

import numpy as np
import pytest
from pydantic import ValidationError

from sim.disturbances.record import Record, RecordParams
from sim.foundations.errors import ProfileError
from sim.foundations.ports import Clock, Site

CLOCK = Clock(5e-5, 20, 2000)  # 2 s at 20 kHz
BASE = {
    "kind": "record",
    "file": "floor.csv",
    "units": "m/s^2",
    "time_column": "time_s",
    "columns": ("", "shake", ""),
    "start_at_ms": 250.0,
    "remove_mean": False,
}


def write(tmp_path, signal, rate_hz, *, first_s=5.0):
    time_s = first_s + np.arange(len(signal)) / rate_hz
    rows = [f"{t:.9f},{v:.15g}" for t, v in zip(time_s, signal, strict=True)]
    (tmp_path / "floor.csv").write_text("time_s,shake\n" + "\n".join(rows) + "\n")


def make(tmp_path, clock=CLOCK, **changes):
    return Record(RecordParams(**(BASE | changes)), Site(clock, np.arange(2), (1, 64), tmp_path))


def play(record, clock=CLOCK):
    return record.advance(None, 0, clock.n_frames)[1].acceleration_m_s2


@pytest.mark.parametrize("rate_hz", [100.0, 256.0, 1000.0])
def test_a_sine_below_two_fifths_of_the_rate_is_played_within_a_thousandth(tmp_path, rate_hz):
    frequency_hz = 0.4 * rate_hz
    count = int(1.5 * rate_hz)
    write(tmp_path, 3.0 * np.sin(2 * np.pi * frequency_hz * np.arange(count) / rate_hz), rate_hz)
    played = play(make(tmp_path))
    since_s = CLOCK.tick_times_s(0, 2000) - 0.25
    want = 3.0 * np.sin(2 * np.pi * frequency_hz * since_s)
    inside = (since_s > 20 / rate_hz) & (since_s < 1.5 - 22 / rate_hz)  # the filter's reach
    assert np.abs(played[inside, 1] - want[inside]).max() < 1e-3 * 3.0
    np.testing.assert_array_equal(played[:, [0, 2]], 0.0)


def test_samples_play_at_their_time_and_nothing_outside(tmp_path):
    signal = np.random.default_rng(0).normal(size=101)
    write(tmp_path, signal, 100.0)
    record = make(tmp_path)
    played = play(record)[:, 1]
    np.testing.assert_allclose(played[5000:25_001:200], signal, atol=1e-9)
    np.testing.assert_array_equal(played[:5000], 0.0)
    np.testing.assert_array_equal(played[25_001:], 0.0)


def test_a_record_finer_than_the_tick_is_kept_from_aliasing(tmp_path):
    clock = Clock(1e-3, 1, 1000)
    time_s = np.arange(8001) / 8000
    write(tmp_path, np.sin(2 * np.pi * 940 * time_s) + np.sin(2 * np.pi * 100 * time_s), 8000.0)
    played = play(make(tmp_path, clock, start_at_ms=0.0), clock)[:, 1]
    # 940 Hz would come back as 60 Hz at full height.
    wanted = np.sin(2 * np.pi * 100 * clock.tick_times_s(0, 1000))
    assert np.abs(played - wanted)[100:900].max() < 1e-3


def test_slice_scale_and_units(tmp_path):
    signal = np.arange(201.0)
    write(tmp_path, signal, 100.0)
    record = make(tmp_path, from_s=5.5, to_s=6.25, scale=-2.0, units="gal")
    np.testing.assert_allclose(record.samples_m_s2[:, 1], -0.02 * signal[50:126], rtol=1e-12)
    between = make(tmp_path, from_s=5.503, to_s=6.247)  # whole samples inside the slice
    np.testing.assert_array_equal(between.samples_m_s2[:, 1], signal[51:125])


def test_mean_is_removed_only_when_asked(tmp_path):
    signal = 5.0 + np.sin(np.arange(150.0))
    write(tmp_path, signal, 100.0)
    kept, removed = make(tmp_path), make(tmp_path, remove_mean=True)
    np.testing.assert_allclose(kept.samples_m_s2[:, 1], signal, rtol=1e-14)
    np.testing.assert_allclose(removed.samples_m_s2[:, 1], signal - signal.mean(), atol=1e-12)


def test_taper_is_half_a_cosine_at_each_end(tmp_path):
    write(tmp_path, np.ones(151), 100.0)
    record = make(tmp_path, taper_ms=200.0)
    samples = record.samples_m_s2[:, 1]
    np.testing.assert_allclose(samples[[0, 10, 20, 75, 130, 140, 150]], [0, 0.5, 1, 1, 1, 0.5, 0])
    assert record.warnings == ()


def test_jumps_at_the_ends_are_reported_and_left(tmp_path):
    signal = np.resize([1e-3, -1e-3], 151)
    signal[0], signal[60], signal[-1] = 0.5, 2.0, -0.019
    write(tmp_path, signal, 100.0)
    record = make(tmp_path)
    np.testing.assert_array_equal(record.samples_m_s2[:, 1], signal)
    assert len(record.warnings) == 1
    assert "axis y jumps at the start of the used part, by 0.5 m/s^2 or 25.0%" in record.warnings[0]


def test_a_record_longer_than_the_run_is_reported(tmp_path):
    write(tmp_path, np.pad(np.resize([1e-3, -1e-3], 199), 1), 100.0)
    assert "would play until 2.25 s, the run ends at 2 s" in make(tmp_path).warnings[0]


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"from_s": 4.0}, "from_s must lie within the record, 5 to 6.5 s, got 4 s"),
        ({"to_s": 6.51}, "to_s must lie within the record, 5 to 6.5 s, got 6.51 s"),
        ({"from_s": 5.0, "to_s": 5.05}, "at least 8 samples must be used, got 6 from 5 to 5.05 s"),
        (
            {"taper_ms": 751.0},
            "two tapers must fit into the used part of 1500 ms, got taper_ms 751",
        ),
        ({"units": "mg"}, 'units "mg" are not known'),
        ({"columns": ("shakes", "", "")}, 'Did you mean "shake"?'),
        ({"file": "none.csv"}, "none.csv: cannot be read"),
    ],
)
def test_bad_requests_are_refused_with_the_file(tmp_path, changes, message):
    write(tmp_path, np.resize([1e-3, -1e-3], 151), 100.0)
    with pytest.raises(ProfileError, match=re.escape(message)) as caught:
        make(tmp_path, **changes)
    assert str(tmp_path) in str(caught.value)


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"time_column": ""}, 'time_column must be given for format "csv"'),
        ({"from_s": 2.0, "to_s": 1.0}, "to_s must be after from_s, got 1.0 and 2.0"),
        ({"columns": ("a", "a", "")}, "columns must name at least one, and none twice"),
        ({"columns": ("", "", "")}, "columns must name at least one, and none twice"),
        ({"start_at_ms": -1.0}, "start_at_ms"),
        ({"format": "xls"}, "format"),
    ],
)
def test_bad_parameters_are_refused(changes, message):
    with pytest.raises(ValidationError, match=message):
        RecordParams(**(BASE | changes))


def test_the_mean_must_be_decided():
    settings = {key: value for key, value in BASE.items() if key != "remove_mean"}
    with pytest.raises(ValidationError, match="remove_mean"):
        RecordParams(**settings)


def test_a_volume_1_file_is_played(tmp_path):
    values = np.round(np.sin(np.arange(24) / 3), 6)
    lines = [
        "Chan  1:  Up",
        "   24 Accelerogram points at 100 pts/sec in units of g.       Format: (8f9.6)",
        *("".join(f"{v:9.6f}" for v in values[i : i + 8]) for i in (0, 8, 16)),
    ]
    (tmp_path / "up.v1").write_text("\n".join(lines) + "\n")
    record = make(
        tmp_path,
        file="up.v1",
        format="avol1",
        units="g",
        time_column="",
        columns=("", "", "Up"),
    )
    np.testing.assert_allclose(record.samples_m_s2[:, 2], 9.80665 * values, rtol=1e-12)
