"""Both clocks on one interval: the full loop and slow time, of the same parts."""

from typing import Any, Final, NamedTuple

import numpy as np

from sim.assembly.build import build
from sim.foundations.ports import WithDensity
from sim.loop.simulate import simulate
from sim.scenario.model import Scenario
from sim.studies.life.march import March
from sim.studies.life.plant import slow_plant
from sim.studies.life.schedule import LifeEvent, What

SETTLED_S: Final = 0.5
"""Time that the full loop has to settle before it is compared. [s]"""
LAST: Final = 0.2
"""Part of the interval over which the full loop's corrections are averaged. [-]"""


class Bounds(NamedTuple):
    """How far both clocks may differ and still agree.

    Chosen so that what they leave is small beside what a life is judged by: corrections a fraction
    of the demo's jitter of 14 urad, losses a thousandth of its limit, and for the jitter what the
    loop analysis is held to against simulations elsewhere.
    """

    correction_rms_urad: float = 2.0
    """Of the corrections, over mirrors and axes. [urad]"""
    correction_max_urad: float = 10.0
    """Of any mirror's correction, on any axis. [urad]"""
    loss_db: float = 0.003
    """Of mean, median and 95th percentile over connections and time. [dB]"""
    connection_db: float = 0.02
    """Of any connection's mean loss. [dB]"""
    jitter_share: float = 0.08
    """Of the jitter. [-]"""


BOUNDS: Final = Bounds()


def overlap(scenario: Scenario, seconds: float, step_s: float = 1.0) -> dict[str, Any]:
    """Run the first seconds of a life on both clocks and compare.

    Corrections are compared mirror by mirror with random wander left out, since each clock draws
    its own; losses are compared as distributions with everything in.

    Parameters
    ----------
    scenario : Scenario
        With `[life]`.
    seconds : float
        Length of the interval. [s]
    step_s : float
        Step of slow time. [s]

    Returns
    -------
    dict
        ``seconds``; ``correction_urad``: rms of the corrections, rms and largest difference over
        mirrors and axes, and by either clock that of every mirror and axis; ``insertion_db``: mean,
        median and 95th percentile over connections and time by either clock; ``connection_db``: the
        mean loss of every connection by either clock, and the largest difference; ``jitter_urad``:
        rms about the settled place by either clock; ``bounds`` of `Bounds`, and ``agree``: whether
        each is kept.
    """
    made = build(scenario.replace(age_h=0.0, disturbances=_from_new(scenario)))
    plain = scenario.replace(
        disturbances=[
            tree
            for tree, part in zip(scenario.disturbances, made.parts.disturbances, strict=True)
            if not isinstance(part, WithDensity)
        ]
    )
    full, slow = _full(plain, seconds), _slow(plain, seconds, step_s)
    difference = full["correction_rad"] - slow["correction_rad"]
    whole, course = _full(scenario, seconds), _slow(scenario, seconds, step_s)
    urad = 1e6
    means = {"full": whole["loss_db"].mean(axis=0), "slow": course["loss_db"].mean(axis=0)}
    found: dict[str, Any] = {
        "seconds": seconds,
        "correction_urad": {
            "rms": urad * float(np.sqrt(np.mean(full["correction_rad"] ** 2))),
            "difference_rms": urad * float(np.sqrt(np.mean(difference**2))),
            "difference_max": urad * float(np.abs(difference).max()),
            "full": (urad * full["correction_rad"]).ravel().tolist(),
            "slow": (urad * slow["correction_rad"]).ravel().tolist(),
        },
        "insertion_db": {
            name: {"full": float(of(whole["loss_db"])), "slow": float(of(course["loss_db"]))}
            for name, of in (
                ("mean", np.mean), ("median", np.median), ("p95", lambda x: np.percentile(x, 95)),
            )
        },
        "jitter_urad": {
            "full": urad * whole["jitter_rad"], "slow": urad * course["jitter_rad"],
        },
        "connection_db": {
            "difference_max": float(np.abs(means["full"] - means["slow"]).max()),
            **{clock: mean.tolist() for clock, mean in means.items()},
        },
    }  # fmt: skip
    return found | {"bounds": BOUNDS._asdict(), "agree": _agree(found)}


def _agree(found: dict[str, Any]) -> dict[str, bool]:
    """Return whether each bound is kept."""
    c, jitter = found["correction_urad"], found["jitter_urad"]
    losses = [abs(v["full"] - v["slow"]) for v in found["insertion_db"].values()]
    return {
        "correction_rms_urad": c["difference_rms"] <= BOUNDS.correction_rms_urad,
        "correction_max_urad": c["difference_max"] <= BOUNDS.correction_max_urad,
        "loss_db": max(losses) <= BOUNDS.loss_db,
        "connection_db": found["connection_db"]["difference_max"] <= BOUNDS.connection_db,
        "jitter_share": (
            abs(jitter["slow"] - jitter["full"]) <= BOUNDS.jitter_share * jitter["full"]
        ),
    }


def _from_new(scenario: Scenario) -> list[dict[str, Any]]:
    """Return the disturbances as counted from first power."""
    return [
        {k: 0.0 if k == "uncorrected_h" else v for k, v in tree.items()}
        for tree in scenario.disturbances
    ]


def _full(scenario: Scenario, seconds: float) -> dict[str, Any]:
    """Run the full loop from first power."""
    run = scenario.replace(
        age_h=0.0,
        duration_ms=1e3 * seconds,
        disturbances=_from_new(scenario),
        metrics=scenario.metrics.replace(hold_from_ms=1e3 * SETTLED_S, hold_to_ms=None),
        traces=scenario.traces.replace(sample_hz=200.0),
    )
    parts = build(run).parts
    traces = simulate(parts).traces
    held = traces.time_s > SETTLED_S
    late = traces.time_s > (1.0 - LAST) * seconds
    place = traces.error_mean_rad[held].mean(axis=0, dtype=float)
    square = traces.error_square_rad2[held].mean(axis=0, dtype=float)
    return {
        "correction_rad": traces.correction_rad[late].mean(axis=0, dtype=float),
        "loss_db": parts.epochs[0].aligned_db + traces.excess_mean_db[held],
        "jitter_rad": float(np.sqrt((square - (place**2).sum(axis=-1)).mean())),
    }


def _slow(scenario: Scenario, seconds: float, step_s: float) -> dict[str, Any]:
    """Go through the same interval in slow time."""
    plant = slow_plant(scenario)
    march = March(plant, step_s)
    rows = max(int(seconds / step_s), 1)
    events = [LifeEvent(seconds * (k + 1) / rows, What.ROW, k) for k in range(rows)]
    lived = march.live(events)
    variance = plant.jitter.variance_rad2(1.0, 0.0)
    return {
        "correction_rad": lived.last.correction_rad,
        "loss_db": np.stack([row.mean_db for row in lived.rows]),
        "jitter_rad": float(np.sqrt(variance.sum(axis=1).mean())),
    }
