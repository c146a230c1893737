"""Runs made by hand for the tests of their figures: the error of every tick, and what follows."""

import numpy as np

from sim.results.hold import MetricsParams
from sim.results.metrics import evaluate
from tests.made_traces import made_epoch, made_traces

TICK_S = 50e-6
N = 20  # ticks to an interval of 1 ms


def settings(**changes):
    return MetricsParams(
        **{
            "tolerance_urad": 20.0,
            "dwell_ms": 2.0,
            "hold_from_ms": 0.0,
            "outage_excess_db": 1.0,
        }
        | changes
    )


def run(error_urad, excess_db=None, epochs=None, params=None, ports=2, **changes):
    """Evaluate a run from the radial error of every tick, (K, M), put on the x axis."""
    error_urad = np.asarray(error_urad, float)
    error = error_urad[..., None] * [1e-6, 0.0] if error_urad.ndim == 2 else error_urad * 1e-6
    n_mirrors = error.shape[1]
    excess = np.zeros((len(error), 1)) if excess_db is None else np.asarray(excess_db, float)
    params = params or settings()
    traces = made_traces(
        error,
        excess,
        tolerance_rad=params.tolerance_urad * 1e-6,
        outage_db=params.outage_excess_db,
        **changes,
    )
    if epochs is None:
        epochs = [made_epoch(0.0, n_mirrors, excess.shape[1])]
    return evaluate(traces, epochs, params, ports=ports)
