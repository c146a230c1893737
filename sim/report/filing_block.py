"""The block of conditions that a filed report needs."""

from collections.abc import Iterator

from sim.report.view import ReportView
from sim.results.units import unit_sign

G_M_S2 = 9.80665


def conditions_rows(view: ReportView) -> list[tuple[str, str]]:
    """Return what was done, with what, and by which command: names and texts."""
    origin = view.provenance
    overrides = origin.get("overrides") or ()
    rows = [
        ("Case", view.title),
        *_profiles(view),
        *_spectrum(view),
        ("Overrides", "; ".join(overrides) or "none"),
        ("Command", str(origin.get("command") or "called from a program")),
        ("Tool", f"mirrorloop {origin.get('version', '')}, revision "
                 f"{origin.get('revision') or 'of the installed package'}"),
        ("Date (UTC)", str(origin.get("started", ""))),
    ]  # fmt: skip
    return rows


def _profiles(view: ReportView) -> Iterator[tuple[str, str]]:
    for c in view.conditions:
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
        elif "pulse" in c:
            yield (
                "Shock",
                f"{c['pulse']}, {c['peak_g']:g} g, {c['duration_ms']:g} ms, along "
                f"{c['direction']}, from {c['starts_at_ms']:g} ms; velocity change "
                f"{c['velocity_change_m_s']:.3f} m/s",
            )


def _spectrum(view: ReportView) -> Iterator[tuple[str, str]]:
    if view.shock_spectrum is not None:
        frequency, response, quality = view.shock_spectrum
        peaks = ", ".join(
            f"{axis} {column.max() / G_M_S2:.2f} g at {frequency[column.argmax()]:.3g} Hz"
            for axis, column in zip("xyz", response.T, strict=True)
            if column.max() > 0
        )
        yield (
            "Shock response spectrum",
            f"Q = {quality:g}, {frequency[0]:.3g} to {frequency[-1]:.4g} Hz, largest {peaks}; "
            "numbers in results.json",
        )
