"""What `tune.json` holds."""

import math
from functools import partial
from typing import Any

import numpy as np

from sim.studies.margins.candidate import Candidate
from sim.studies.margins.plant import plant_word
from sim.studies.margins.robust import Robust
from sim.studies.margins.tune import TuningResult
from sim.studies.margins.verify import Verified


def results_of(outcome: TuningResult, check: Verified) -> dict[str, Any]:
    """Return what `tune.json` holds."""
    row = partial(_row, plant=plant_word(outcome.judge.built))
    return {
        "demands": outcome.demands._asdict(),
        "chosen": row(outcome.chosen),
        "present": row(outcome.present),
        "rules": {name: row(c) for name, c in outcome.rules.items()},
        "objective": outcome.demands.objective,
        "why": outcome.why,
        "holds": [
            {"demands": hold.demands, "cost_db_less": hold.gain_db, "without": row(hold.without)}
            for hold in outcome.holds
        ],
        "robust": None if outcome.robust is None else _robust_row(outcome.robust),
        "same_for_both_axes": None if outcome.common is None else row(outcome.common),
        "shapings": [
            {
                "shaping": plain_settings(shaped.shaping),
                "ringing_ms": _finite(shaped.ringing_ms),
                "best": None if shaped.candidate is None else row(shaped.candidate),
            }
            for shaped in outcome.shapings
        ],
        "costliest_mirrors": [
            {k: _finite(v) if isinstance(v, float) else v for k, v in each._asdict().items()}
            for each in outcome.costliest
        ],
        "simulation": {
            "predicted_jitter_urad": check.predicted_urad,
            "jitter_urad": check.jitter_urad,
            "ratio": check.ratio,
            "predicted_settling_ms": None
            if check.settling_ms is None
            else _finite(check.settling_ms),
            "settling_band_ms": check.settling_band_ms,
            "settling_agrees": check.settling_agrees,
            "agrees": check.agrees,
            "limits": check.limits,
            "pointing": check.figures["pointing"],
            "settling": check.figures["settling"],
            "coupling": check.figures["coupling"],
        },
        "tried": [row(c) for c in outcome.tried],
    }


def _robust_row(robust: Robust) -> dict[str, Any]:
    looked = robust.looked
    return {
        "kept": robust.kept,
        "populations": looked.populations,
        "corners": looked.corners,
        "drawn_inside": looked.drawn,
        "searched": looked.searched,
        "slow_mirrors": looked.slow,
        "switches": list(robust.taken),
        "nearest": [
            {
                "demand": w.demand,
                "missed_by": _finite(w.excess),
                "switch": w.label(robust.box),
                "mirrors": [
                    int(robust.box.switches[0].parts.mirrors[place]) for place in w.place
                ],
            }
            for w in looked.worst
        ],
    }


def _row(c: Candidate, plant: str) -> dict[str, Any]:
    figure = _finite
    return {
        "plant": plant,
        "settings": plain_settings(c.settings),
        "shaping": plain_settings(c.shaping),
        "stable": c.stable,
        "meets": c.meets,
        "ms": figure(c.ms),
        "ms_mirror": c.ms_mirror,
        "gain_margin_db": figure(c.gain_margin_db),
        "gain_margin_mirror": c.gain_mirror,
        "phase_margin_deg": figure(c.phase_margin_deg),
        "phase_margin_mirror": c.phase_mirror,
        "settling_ms": figure(c.settling_ms),
        "settling_mirror": c.settling_mirror,
        "mean_settling_ms": figure(c.mean_settling_ms),
        "ringing_ms": figure(c.ringing_ms),
        "ringing_mirror": c.ringing_mirror,
        "noise_urad": figure(c.noise_rad, 1e6),
        "disturbance_urad": figure(c.disturbed_rad, 1e6),
        "jitter_urad": figure(c.jitter_rad, 1e6),
        "loss_db": figure(c.loss_db),
    }


def _finite(value: float, factor: float = 1.0) -> float | None:
    return factor * value if math.isfinite(value) else None


def plain_settings(settings: dict[str, Any]) -> dict[str, Any]:
    """Return settings with numbers as files take them."""
    return {k: float(v) if isinstance(v, np.floating) else v for k, v in settings.items()}
