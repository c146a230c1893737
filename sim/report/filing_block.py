"""Rows of the conditions that a filed report needs: profiles, and the shock response spectrum."""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from sim.mechanics.shock_spectrum import ResponseSpectrum
from sim.results.units import unit_sign

G_M_S2 = 9.80665
UNIT_ENDS = {"m_s2": "m/s²", "m_s": "m/s", "hz": "Hz", "g": "g", "ms": "ms", "mm": "mm", "db": "dB",
             "s": "s"}
"""What the end of a key says about its unit."""


def profile_rows(played: Sequence[Mapping[str, Any]]) -> Iterator[tuple[str, str]]:
    """Yield names and texts of records and shocks, as disturbances describe them."""
    for c in played:
        if "samples" in c:  # measured
            peaks = ", ".join(
                f"{axis} {value / G_M_S2:.3f} g ({c['columns'][axis] or 'none'})"
                for axis, value in c["peak_m_s2"].items()
            )
            yield "Record", f"{c['file']}, sha256 {c['sha256']}"
            yield (
                "Samples",
                f"{c['samples']} at {c['rate_hz']:g} Hz, {c['duration_s']:g} s, "
                f"from {c['starts_at_ms']:g} ms; unit in the file {unit_sign(c['unit_in_file'])}, "
                f"level {c['scale']:g}",
            )
            yield "Axes and peaks", peaks
            if c["source"]:
                yield "Source", c["source"]
        elif "pulse" in c and "count" not in c:
            yield (
                "Shock",
                f"{c['pulse']}, {c['peak_g']:g} g, {c['duration_ms']:g} ms, along "
                f"{c['direction']}, from {c['starts_at_ms']:g} ms; velocity change "
                f"{c['velocity_change_m_s']:.3f} m/s",
            )
        elif "kind" in c:
            heading = str(c["kind"]).replace("_", " ")
            yield heading[:1].upper() + heading[1:], profile_words(c)


def short_name(conditions: Mapping[str, Any]) -> str:
    """Return what shakes the base in a few words: the file, the pulse, or the kind."""
    c = conditions
    if "file" in c:
        return str(c["file"])
    if "pulse" in c:
        times = f"{c['count']} x " if c.get("count", 1) > 1 else ""
        return f"{times}{c['pulse']} {c['peak_g']:g} g {c['duration_ms']:g} ms"
    return str(c.get("kind", "acceleration")).replace("_", " ")


def profile_words(conditions: Mapping[str, Any]) -> str:
    """Return what is filed of a profile on one line: each key with its unit, then the value."""
    return ", ".join(
        f"{_key_words(key)} {_value(value)}".strip()
        for key, value in conditions.items()
        if key != "kind" and value is not None
    )


def _key_words(key: str) -> str:
    for end, unit in UNIT_ENDS.items():
        if key.endswith(f"_{end}"):
            return f"{key[: -len(end) - 1].replace('_', ' ')} [{unit}]"
    return key.replace("_", " ")


def _value(value: Any) -> str:
    if isinstance(value, list | tuple):
        return "/".join(_value(each) for each in value)
    return f"{value:.5g}" if isinstance(value, float) else str(value)


def spectrum_rows(spectrum: ResponseSpectrum | None) -> Iterator[tuple[str, str]]:
    """Yield the band and the peaks of a shock response spectrum, if there is one."""
    if spectrum is None:
        return
    frequency, response, quality = spectrum[:3]
    peaks = ", ".join(
        f"{axis} {column.max() / G_M_S2:.2f} g at {frequency[column.argmax()]:.3g} Hz"
        for axis, column in zip("xyz", response.T, strict=True)
        if column.max() > 0
    )
    yield (
        "Shock response spectrum",
        f"Q = {quality:g}, {frequency[0]:.3g} to {frequency[-1]:.4g} Hz, supported to "
        f"{min(spectrum.supported_hz, frequency[-1]):.4g} Hz, largest {peaks}; numbers in "
        "results.json",
    )
