"""The figures of a run: settling, time to light, pointing error, coupling loss."""

from collections.abc import Sequence
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from sim.foundations.ports import Array
from sim.optics.epochs import Epoch
from sim.results.connection_losses import N_WORST, coupling_of
from sim.results.hold import HoldInterval, MetricsParams, hold_of
from sim.results.moves import (
    CommandSpan,
    Moved,
    each_of,
    moved_by,
    slowest_of,
    spans_of,
    ticks_of,
    times_of,
)
from sim.results.sway import sway_figures
from sim.results.traces import LOST, Traces
from sim.results.wrong_spots import wrong_spots

NO_EVENTS: Final[dict[str, Any]] = {
    "recovery_ms": None, "outage_ms": None, "crosstalk_db": None, "missed_frames": None, "rows": [],
}  # fmt: skip
"""Figures of the events of a run without any; see `sim.results.events`."""


def mirror_name(mirror: int, ports: int) -> str:
    """Return the name of a mirror from its number in a switch of `ports` ports a side.

    Parameters
    ----------
    mirror : int
        0 to `ports` - 1 in array A, from there on in array B.
    ports : int
        Inputs of the switch.

    Returns
    -------
    str
        Such as "A03".
    """
    side, port = ("A", mirror) if mirror < ports else ("B", mirror - ports)
    return f"{side}{port:02d}"


def evaluate(
    traces: Traces,
    epochs: Sequence[Epoch],
    params: MetricsParams,
    *,
    ports: int,
    sway_m: Array | None = None,
    clearance_mm: Sequence[float] | None = None,
) -> dict[str, Any]:
    """Return the figures of one run, as `results.json` holds them.

    A figure that does not exist is None. Means, rms and peaks are over every tick of the hold
    interval; 99th percentiles are over the samples alone, whose number stands beside them. Only
    sampling intervals that lie wholly in the hold interval count. **A command inside the hold
    interval adds its whole transient to pointing and coupling**: ``hold.commands`` says how many.

    Parameters
    ----------
    traces : Traces
        The run. Its first and last ticks outside must have been recorded with the tolerance and
        the outage limit of `params`.
    epochs : sequence of Epoch
        The stretches of the run, in order, the first from its start.
    params : MetricsParams
        What to judge by.
    ports : int
        Ports on each side of the switch, for the mirrors' names.
    sway_m : (3,) ndarray, optional
        Largest sway of the core on its mounts; None without an isolator. [m]
    clearance_mm : sequence of float, optional
        Clearance of the mounts. [mm]

    Returns
    -------
    dict
        ``hold``, ``settling``, ``time_to_light``, ``pointing``, ``coupling``, ``worst_mirrors``,
        ``worst_connections``, ``lost``, ``search``, ``wrong_spots``, ``stops``, ``sway``:
        plain numbers, strings, lists and None.

    Raises
    ------
    ValueError
        If there is no epoch, or the epochs are out of order.
    """
    if not epochs:
        raise ValueError("epochs must hold at least one epoch, got none")
    starts = ticks_of([e.start_s for e in epochs], traces.tick_s)
    if (np.diff(starts) <= 0).any():
        raise ValueError(f"epochs must be in order of start_s, got {[e.start_s for e in epochs]}")
    ends = ticks_of(traces.time_s, traces.tick_s)
    held = hold_of(params, float(traces.time_s[-1] * 1e3))
    hold = held.whole(ends, traces.interval_ticks, traces.tick_s)
    # Ticks after a command, the command's own excluded, belong to the new epoch.
    epoch_of = np.maximum(np.searchsorted(starts, ends, side="left") - 1, 0)

    # Light and settling share their definition; only limit and column differ.
    spans = spans_of(traces, epochs, starts, ends, params)
    settling = [moved_by(traces, span, light=False) for span in spans]
    light = [moved_by(traces, span, light=True) for span in spans]
    pointing, rms_urad, max_urad = _pointing(traces, hold)
    coupling, connections = coupling_of(traces, epochs, epoch_of, hold, params)
    return {
        "hold": _hold_figures(traces, epochs, held, hold),
        "settling": _settling_figures(traces, params, spans, settling, ports),
        "time_to_light": {
            "limit_db": params.outage_excess_db,
            "dwell_ms": params.dwell_ms,
            **times_of(light, never="dark"),
            "slowest": slowest_of(
                spans,
                light,
                lambda span, c: f"in {traces.inputs[c]} -> out {span.epoch.outputs[c]}",
            ),
        },
        "pointing": pointing,
        "coupling": coupling,
        "worst_mirrors": _worst_mirrors(traces, rms_urad, max_urad, settling, ports),
        "worst_connections": connections,
        "lost": _lost(traces, ports),
        "search": {
            "frames": int(traces.search_frames.sum()),
            "mirrors": int((traces.search_frames > 0).sum()),
        },
        "wrong_spots": wrong_spots(traces),
        "stops": {
            "longest_ms": float(np.max(traces.stop_ticks, initial=0) * traces.tick_s * 1e3),
            "mirrors": int((traces.stop_ticks > 0).sum()),
        },
        "sway": sway_figures(sway_m, clearance_mm),
        "events": dict(NO_EVENTS),
    }


def _hold_figures(
    traces: Traces, epochs: Sequence[Epoch], held: HoldInterval, hold: NDArray[np.bool_]
) -> dict[str, Any]:
    """Return from when to when is judged, and how many commands fall into it."""
    in_hold = [e for e in epochs if e.commanded and held.from_ms <= e.start_s * 1e3 < held.to_ms]
    return {
        "from_ms": held.from_ms,
        "to_ms": held.to_ms,
        "intervals": int(hold.sum()),
        "interval_ms": traces.interval_ticks * traces.tick_s * 1e3,
        "commands": len(in_hold),
    }


def _settling_figures(
    traces: Traces, params: MetricsParams, spans: Sequence[CommandSpan], settling: Sequence[Moved],
    ports: int,
) -> dict[str, Any]:  # fmt: skip
    """Return how mirrors settled after every command and after each, and which was slowest."""
    interval_ms = traces.interval_ticks * traces.tick_s * 1e3
    return {
        "tolerance_urad": params.tolerance_urad,
        "dwell_ms": params.dwell_ms,
        "resolution_ms": (
            traces.tick_s * 1e3 if params.dwell_ms >= interval_ms * (1 - 1e-9) else interval_ms
        ),
        "commands": len(spans),
        **times_of(settling, never="unsettled"),
        "slowest": slowest_of(
            spans, settling, lambda span, m: mirror_name(int(traces.mirrors[m]), ports)
        ),
        "excursions_after": sum(int(s.excursions.sum()) for s in settling),
        "per_command": [
            {
                "time_ms": span.epoch.start_s * 1e3,
                **times_of([s], never="unsettled"),
                "excursions_after": int(s.excursions.sum()),
            }
            for span, s in zip(spans, settling, strict=True)
        ],
    }


def _lost(traces: Traces, ports: int) -> dict[str, Any]:
    """Count frames with a lost spot, by cause, and name the mirror with most of them."""
    lost, total = traces.lost_frames, int(traces.status_frames.sum())
    causes = {
        cause.name.lower(): int(traces.status_frames[cause].sum()) for cause in LOST
    }
    frames = int(lost.sum())
    most = int(lost.argmax()) if frames else None
    return {
        "frames": frames,
        "mirrors": int((lost > 0).sum()),
        "share_pct": 100.0 * frames / total if total else 0.0,
        "frames_by_cause": causes,
        "worst_mirror": None if most is None else mirror_name(int(traces.mirrors[most]), ports),
        "worst_mirror_frames": 0 if most is None else int(lost[most]),
    }


def _pointing(
    traces: Traces, hold: NDArray[np.bool_]
) -> tuple[dict[str, Any], Array | None, Array | None]:
    """Return the pointing figures, and (M,) rms and largest error of each mirror [urad]."""
    samples_urad = np.linalg.norm(traces.error_rad[hold].astype(float), axis=-1) * 1e6
    figures: dict[str, Any] = dict.fromkeys(
        ("rms_urad", "p99_urad", "max_urad", "bias_urad", "jitter_urad")
    )
    figures["p99_count"] = int(samples_urad.size)
    if samples_urad.size == 0:
        return figures, None, None
    square = traces.error_square_rad2[hold].mean(axis=0, dtype=float) * 1e12
    mean = traces.error_mean_rad[hold].mean(axis=0, dtype=float) * 1e6
    peak = traces.error_peak_rad[hold].max(axis=0).astype(float) * 1e6
    bias_square = (mean**2).sum(axis=-1).mean()
    figures |= {
        "rms_urad": float(np.sqrt(square.mean())),
        "p99_urad": float(np.percentile(samples_urad, 99)),
        "max_urad": float(peak.max()),
        "bias_urad": float(np.sqrt(bias_square)),
        "jitter_urad": float(np.sqrt(max(square.mean() - bias_square, 0.0))),
    }
    return figures, np.sqrt(square), peak


def _worst_mirrors(
    traces: Traces,
    rms_urad: Array | None,
    max_urad: Array | None,
    settling: Sequence[Moved],
    ports: int,
) -> list[dict[str, Any]]:
    """Return the mirrors with the largest error in the hold interval, worst first."""
    if rms_urad is None or max_urad is None:
        return []
    moves, unsettled, slowest_s = each_of(settling, len(traces.mirrors))
    worst = []
    for m in np.argsort(-max_urad, kind="stable")[:N_WORST]:
        name = mirror_name(int(traces.mirrors[m]), ports)
        settled = moves[m] > 0 and unsettled[m] == 0
        worst.append(
            {
                "name": f"{name} (port {int(name[1:])}, array {name[0]})",
                "rms_urad": float(rms_urad[m]),
                "max_urad": float(max_urad[m]),
                "settling_ms": float(slowest_s[m] * 1e3) if settled else None,
                "commands": int(moves[m]),
                "unsettled": int(unsettled[m]),
            }
        )
    return worst
