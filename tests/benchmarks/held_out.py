"""Predictions held against simulations of plants that no constant was chosen on.

Draws plants at random (resonance, quality factor, latency, gain, command shaping, light, bits of
the DAC, drift), predicts jitter and settling of each, simulates it once, and prints what the
statistics of one run leave unexplained: the model error that `docs/loops.md` states.

    python tests/benchmarks/held_out.py --plants 24 [--first 0] [--out held_out.csv]
"""

import argparse
import csv
import sys
from pathlib import Path

import numpy as np

from sim.assembly.build import Built, build
from sim.foundations.errors import ScenarioError
from sim.foundations.rng import uniforms
from sim.scenario.gallery import find
from sim.scenario.model import load_scenario
from sim.studies.margins.margins import study
from sim.studies.margins.move import move_of
from sim.studies.margins.predict import MOVES, agreement_band, residual
from sim.studies.margins.settling import settle
from sim.studies.margins.spectra import STEPS, spectra_of
from sim.studies.run.make import make_run

KEY = (20261127, 1)
BANDS = 120
MOST_MS = 2.0
SWITCH = ("switch.geometry.ports_per_side=20", "switch.geometry.columns=5", "duration_ms=900",
          "metrics.hold_from_ms=350", "limits={}")  # fmt: skip
SHAPINGS = ("minimum_jerk", "none", "zv", "zvd", "time_optimal")
COLUMNS = ("plant", "resonance_hz", "quality", "latency_us", "gain", "shaping", "bits", "signal",
           "drift_ms", "ms", "predicted_urad", "simulated_urad", "ratio", "statistical",
           "steps_share", "moves_share", "settling_low_ms", "settling_ms", "settling_high_ms",
           "simulated_settling_ms", "unsettled", "stopped")  # fmt: skip


def drawn(number: int) -> tuple[dict[str, float | str], tuple[str, ...]]:
    """Return a plant of this number: what it is, and its scenario's settings."""
    u = uniforms(KEY, number, np.arange(10))[:, 0]
    resonance = 250.0 * (1200 / 250) ** u[0]
    other = resonance * (0.9 + 0.2 * u[1])
    quality = 5.0 * 10 ** u[2]
    latency = 50 * round((700 + 1000 * u[3]) / 50)
    gain = 0.03 * (0.25 / 0.03) ** u[4]
    shaping = SHAPINGS[int(len(SHAPINGS) * u[5])]
    bits = 11 + int(6 * u[6])
    light = 0.5 * 8 ** u[7]
    drift_ms = 10.0 * 10 ** u[8]
    table = {"kind": shaping, **({"duration_ms": 8.0} if shaping == "minimum_jerk" else {})}
    words = "{" + ",".join(f'{k}="{v}"' if isinstance(v, str) else f"{k}={v}"
                           for k, v in table.items()) + "}"  # fmt: skip
    base = load_scenario(find("harrow_point_reconfigure"))
    told: dict[str, float | str] = {
        "plant": number, "resonance_hz": round(resonance, 1), "quality": round(quality, 2),
        "latency_us": latency, "gain": round(gain, 4), "shaping": shaping, "bits": bits,
        "signal": round(light, 2), "drift_ms": round(drift_ms, 1),
    }  # fmt: skip
    return told, (
        *SWITCH, f"mirror.resonance_hz=[{resonance},{other}]",
        f"mirror.quality=[{quality},{quality}]", f"camera.latency_us={latency}",
        f"controller.integral_per_frame={gain}", f"shaping={words}", f"drive.bits={bits}",
        f"camera.signal_e={light * base.camera.signal_e}",
        f"disturbances.0.correlation_s={1e-3 * drift_ms}",
        f"disturbances.0.sigma_urad={10 + 50 * u[9]}",
    )  # fmt: skip


def compared(told: dict[str, float | str], built: Built) -> dict[str, float | str] | None:
    """Return prediction and simulation of a plant; None where its loops are beyond use."""
    result = study(built, (), with_steps=False)
    if not result.stable.all() or result.ms_2x2.max() > MOST_MS:
        return None
    spectra = spectra_of(built, BANDS)
    prediction, move = residual(built, result.loop, spectra), move_of(built)
    band = agreement_band(built, result.loop, spectra, prediction)
    variance = prediction.variance_rad2.sum(axis=(1, 2))
    rest = prediction.variance_rad2[:-1].sum(axis=0)
    low, middle, high = 1e3 * settle(built, move, result.loop, rest).slowest_s
    figures = make_run(built.resolved, None, pictures=False).figures
    jitter, settling = figures["pointing"]["jitter_urad"], figures["settling"]
    names = prediction.names
    return told | {
        "ms": float(result.ms_2x2.max()), "predicted_urad": 1e6 * prediction.total_rad,
        "simulated_urad": jitter, "ratio": jitter / (1e6 * prediction.total_rad),
        "statistical": band.statistical / 2.576,
        "steps_share": variance[names.index(STEPS)] / variance.sum(),
        "moves_share": variance[names.index(MOVES)] / variance.sum(),
        "settling_low_ms": low, "settling_ms": middle, "settling_high_ms": high,
        "simulated_settling_ms": settling["max_ms"], "unsettled": settling["unsettled"],
        "stopped": int(move.stopped.sum()),
    }  # fmt: skip


def main() -> None:
    """Draw, predict, simulate, print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--plants", type=int, default=24)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--out", type=Path, default=Path("held_out.csv"))
    asked = parser.parse_args()
    rows, left_out = [], 0
    with asked.out.open("w", newline="", encoding="utf-8") as file:
        table = csv.DictWriter(file, COLUMNS)
        table.writeheader()
        for number in range(asked.first, asked.first + asked.plants):
            told, sets = drawn(number)
            try:
                row = compared(told, build(load_scenario(find("harrow_point_reconfigure"), sets)))
            except ScenarioError as exc:
                sys.stderr.write(f"plant {number}: {exc}\n")
                row = None
            if row is None:
                left_out += 1
                continue
            rows.append(row)
            table.writerow(row)
            file.flush()
    apart = np.array([abs(float(row["ratio"]) - 1.0) for row in rows])
    spread = np.array([float(row["statistical"]) for row in rows])
    sys.stdout.write(
        f"{len(rows)} plants, {left_out} left out; ratio rms {np.sqrt((apart**2).mean()):.4f}, of "
        f"it statistics {np.sqrt((spread**2).mean()):.4f}; largest {apart.max():.4f}; largest "
        f"beyond 99 % of the statistics {np.maximum(apart - 2.576 * spread, 0).max():.4f}\n"
    )


if __name__ == "__main__":
    main()
