"""Base acceleration replayed from a measured record."""

import hashlib
from pathlib import Path
from typing import Annotated, Any, ClassVar, Literal, Self

import numpy as np
from pydantic import AfterValidator, Field, model_validator

from sim.foundations.errors import ProfileError
from sim.foundations.params import Block, NonNegative, between
from sim.foundations.ports import Array, Effects, Event, Site
from sim.mechanics.acceleration_csv import CsvLayout, read_acceleration_csv
from sim.mechanics.plausible import check_values
from sim.mechanics.recording import FEWEST_SAMPLES, UNITS_M_S2, Recording
from sim.mechanics.resampling import read_between
from sim.mechanics.strong_motion_file import read_avol1

JUMP = 0.01
"""A record that starts or ends above this share of its peak is said to jump."""


def _not_zero(scale: float) -> float:
    if scale == 0:
        raise ValueError("must not be 0: nothing would play")
    return scale


class RecordParams(Block):
    """A measured acceleration record and how it is played.

    Valid for records of accelerometers: values above 100 g, or a change of velocity above 30
    m/s, are refused unless they are accepted as they stand. A scale from -1000 to 1000, not 0,
    covers units that were mistaken; what it makes of the record is not checked again. Below the
    record's own rate nothing is added, above it nothing is known.
    """

    LEVEL: ClassVar[str] = "scale"

    kind: Literal["record"]
    file: Annotated[str, Field(min_length=1)]
    """The record; a relative name counts from the scenario's folder. [-]"""
    format: Literal["csv", "avol1"] = "csv"
    """CSV with a header row, or the plain-text volume 1 file of a strong-motion network. [-]"""
    units: str
    """What the file holds: "g", "m/s^2" or "gal". [-]"""
    time_column: str = ""
    """Column of time; needed for CSV, unused for avol1. [-]"""
    time_unit: Literal["s", "ms", "us"] = "s"
    """Unit of the column of time. [-]"""
    delimiter: Annotated[str, Field(min_length=1, max_length=1)] = ","
    """What separates the columns of a CSV file. [-]"""
    skip_rows: Annotated[int, Field(ge=0, le=10_000)] = 0
    """Lines of a CSV file before its header row that are no remarks. [-]"""
    comment: Annotated[str, Field(min_length=1)] = "#"
    """What a remark in a CSV file starts with. [-]"""
    accept_implausible: bool = False
    """Whether to play a record whose values look wrong for their unit: above 100 g, or a change of
    velocity above 30 m/s. [-]"""
    columns: tuple[str, str, str]
    """Column or channel for base axis x, y and z; "" for none. [-]"""
    scale: Annotated[float, between(-1e3, 1e3), AfterValidator(_not_zero)] = 1.0
    """Factor on the whole record. [-]"""
    start_at_ms: NonNegative
    """When, in the run, the first used sample plays. [ms]"""
    from_s: float | None = None
    """First used time, on the record's clock; from its start if left out. [s]"""
    to_s: float | None = None
    """Last used time, on the record's clock; to its end if left out. [s]"""
    remove_mean: bool
    """Whether each axis' mean over the used part is taken off. [-]"""
    taper_ms: NonNegative = 0.0
    """Length of the cosine fade at each end of the used part. [ms]"""

    @model_validator(mode="after")
    def _check_together(self) -> Self:
        if self.format == "csv" and not self.time_column:
            raise ValueError('time_column must be given for format "csv", got ""')
        if self.from_s is not None and self.to_s is not None and self.to_s <= self.from_s:
            raise ValueError(f"to_s must be after from_s, got {self.to_s} and {self.from_s}")
        named = [name for name in self.columns if name]
        if not named or len(set(named)) < len(named):
            raise ValueError(
                f"columns must name at least one, and none twice, got {list(self.columns)}"
            )
        return self


class Record:
    """A record, read band-limited at the drive's ticks; zero before it and after it.

    Only what the settings ask for is done to it. What else the user should know is in `warnings`.
    """

    Params = RecordParams
    worth_a_picture = True

    def __init__(self, params: RecordParams, site: Site) -> None:
        """Read and check the record.

        Parameters
        ----------
        params : RecordParams
            What to play.
        site : Site
            The run.

        Raises
        ------
        ProfileError
            If the file cannot be used as declared.
        """
        self.params = params
        self._clock = site.clock
        path = Path(site.folder) / params.file
        recording = _read(path, params)
        self._path, self._source = path, recording.source
        self.rate_hz = recording.rate_hz
        used = _slice(path, recording, params)
        if not params.accept_implausible:
            check_values(
                path, params.columns, used, self.rate_hz,
                units=params.units, unit_m_s2=UNITS_M_S2[params.units],
            )  # fmt: skip
        if params.remove_mean:
            used = used - used.mean(axis=0)
        if params.taper_ms > 0:
            used = used * _taper(path, len(used), self.rate_hz, params.taper_ms)[:, None]
        self.samples_m_s2 = params.scale * used
        """(N, 3) what is played, at the record's own rate. [m/s^2]"""
        self.warnings: tuple[str, ...] = (
            *recording.warnings,
            *_jumps(path, self.samples_m_s2),
            *self._cut_off(path),
        )

    @property
    def event(self) -> Event:
        """From the first used sample to the last, and the strongest between them."""
        start_s = 1e-3 * self.params.start_at_ms
        size = np.linalg.norm(self.samples_m_s2, axis=1)
        return Event(
            f"the record {Path(self.params.file).name}",
            start_s,
            start_s + (len(size) - 1) / self.rate_hz,
            start_s + int(size.argmax()) / self.rate_hz,
        )

    @property
    def conditions(self) -> dict[str, Any]:
        """What is filed of the record, as it was played."""
        p, path = self.params, Path(self._path)
        peaks = np.abs(self.samples_m_s2).max(axis=0)
        return {
            "kind": "record",
            "file": path.name,
            "sha256": hashlib.sha256(path.read_bytes()).hexdigest(),
            "samples": len(self.samples_m_s2),
            "rate_hz": self.rate_hz,
            "duration_s": (len(self.samples_m_s2) - 1) / self.rate_hz,
            "peak_m_s2": dict(zip("xyz", (float(v) for v in peaks), strict=True)),
            "unit_in_file": p.units,
            "columns": dict(zip("xyz", p.columns, strict=True)),
            "scale": p.scale,
            "starts_at_ms": p.start_at_ms,
            "source": self._source,
        }

    def _cut_off(self, path: Path) -> tuple[str, ...]:
        run_s = self._clock.frame_s * self._clock.n_frames
        end_s = 1e-3 * self.params.start_at_ms + (len(self.samples_m_s2) - 1) / self.rate_hz
        if end_s <= run_s * (1 + 1e-12):
            return ()
        return (
            f"{path}: the record would play until {end_s:.6g} s, the run ends at {run_s:.6g} s",
        )

    def initial_state(self) -> None:
        """Return nothing: the record follows from the time alone."""
        return None

    def slow_state(self) -> None:
        """Return nothing."""
        return None

    def slow(self, state: None, time_s: Array) -> tuple[None, Effects]:
        """Return nothing: an event of seconds is an episode of a life, not a part of its course."""
        return None, Effects()

    def advance(self, state: None, first_frame: int, n_frames: int) -> tuple[None, Effects]:
        """Return the base acceleration over the block."""
        time_s = self._clock.tick_times_s(first_frame, n_frames)
        position = (time_s - 1e-3 * self.params.start_at_ms) * self.rate_hz
        playing = (position >= -1e-6) & (position <= len(self.samples_m_s2) - 1 + 1e-6)
        acceleration = np.zeros((len(time_s), 3))
        acceleration[playing] = read_between(
            self.samples_m_s2, position[playing], stride=self._clock.tick_s * self.rate_hz
        )
        return None, Effects(acceleration_m_s2=acceleration)


def _read(path: Path, params: RecordParams) -> Recording:
    if params.format == "avol1":
        return read_avol1(path, columns=params.columns, units=params.units)
    return read_acceleration_csv(
        path,
        time_column=params.time_column,
        columns=params.columns,
        units=params.units,
        time_unit=params.time_unit,
        layout=CsvLayout(params.delimiter, params.skip_rows, params.comment),
    )


def _slice(path: Path, recording: Recording, params: RecordParams) -> Array:
    count = len(recording.acceleration_m_s2)
    first_s = recording.first_s
    last_s = first_s + (count - 1) / recording.rate_hz
    slack_s = 1e-6 / recording.rate_hz
    for name, value in (("from_s", params.from_s), ("to_s", params.to_s)):
        if value is not None and not first_s - slack_s <= value <= last_s + slack_s:
            raise ProfileError(
                f"{path}: {name} must lie within the record, {first_s:.9g} to {last_s:.9g} s, "
                f"got {value:.9g} s"
            )
    from_s = first_s if params.from_s is None else params.from_s
    to_s = last_s if params.to_s is None else params.to_s
    low = max(0, int(np.ceil((from_s - first_s) * recording.rate_hz - 1e-6)))
    high = min(count - 1, int(np.floor((to_s - first_s) * recording.rate_hz + 1e-6)))
    if high - low + 1 < FEWEST_SAMPLES:
        raise ProfileError(
            f"{path}: at least {FEWEST_SAMPLES} samples must be used, got {high - low + 1} "
            f"from {from_s:.9g} to {to_s:.9g} s"
        )
    return recording.acceleration_m_s2[low : high + 1]


def _taper(path: Path, count: int, rate_hz: float, taper_ms: float) -> Array:
    """Return (N,) weights: half a cosine up from zero, ones, the same down."""
    length = 1e-3 * taper_ms * rate_hz
    if 2 * length > count - 1:
        raise ProfileError(
            f"{path}: two tapers must fit into the used part of "
            f"{1e3 * (count - 1) / rate_hz:.6g} ms, got taper_ms {taper_ms:g}"
        )
    from_end = np.minimum(np.arange(count), np.arange(count)[::-1])
    return 0.5 - 0.5 * np.cos(np.pi * np.minimum(from_end / length, 1.0))


def _jumps(path: Path, samples: Array) -> tuple[str, ...]:
    warnings: list[str] = []
    for axis, column in zip("xyz", samples.T, strict=True):
        peak = np.abs(column).max()
        for end, value in (("start", column[0]), ("end", column[-1])):
            if abs(value) > JUMP * peak:
                warnings.append(
                    f"{path}: axis {axis} jumps at the {end} of the used part, by "
                    f"{value:.3g} m/s^2 or {abs(value) / peak:.1%} of its peak; "
                    "a taper would fade it"
                )
    return tuple(warnings)
