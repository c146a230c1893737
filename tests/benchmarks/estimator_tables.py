"""Measures the tables of docs/estimators.md and docs/estimator_comparison.md, and writes them.

`python tests/benchmarks/estimator_tables.py [--write]`; without `--write` the tables are printed.
Tables stand between `<!-- name -->` and `<!-- /name -->`. About five minutes on one processor.
"""

import argparse
import re
from collections.abc import Callable, Iterable, Sequence
from importlib import import_module
from pathlib import Path
from typing import Any

import numpy as np
from mirrorloop.testing.estimators import CAMERA, frames_of_spots

from sim.assembly.build import build
from sim.estimators import ESTIMATORS
from sim.estimators.bounds import position_bound_px
from sim.estimators.spot_model import pixel_integrated
from sim.foundations.ports import SpotStatus
from sim.scenario.gallery import find
from sim.scenario.model import load_scenario
from sim.studies.estimators.cases import judged_points
from sim.studies.estimators.frames import noisy
from sim.studies.estimators.in_loop import first_part, loop_rows
from sim.studies.estimators.judge import judge, timings
from sim.studies.estimators.noise import noise_passed
from sim.studies.estimators.run import compare_estimators
from sim.studies.estimators.settings import entrants

DOCS = Path(__file__).parents[2] / "docs"
MIDDLE_PX = 11.5
SPOTS = 3000
SEED = 4
LIGHTS_E = (2000, 5000, 20000)
CRITERION_PX = 0.03
COMMON = {"min_flux_dn": 300.0, "edge_px": 2.0}
OWN: dict[str, dict[str, Any]] = {
    "components": {
        "threshold_dn": 57, "peak_fraction": 0.15, "hot_step_dn": 150.0, "min_area_px": 6,
    },
    "thresholded_centroid": {"threshold_dn": 57},
    "weighted_centroid": {"weight_sigma_px": 1.8},
}  # fmt: skip
WORDS = {
    "components": "`components`, 15 % of the peak",
    "thresholded_centroid": "`thresholded_centroid`, 57 DN",
    "weighted_centroid": "`weighted_centroid`, 1.8 px",
}
SEEDS = range(20, 28)
PROCESSOR = ("estimator_comparison.seeds=3", "processor.multiply_adds_per_us=8000")


def read(name: str, frames: Any, **changes: Any) -> Any:
    """Return the readings of one estimator."""
    settings = COMMON | OWN.get(name, {}) | changes
    return ESTIMATORS[name].function(frames, camera=CAMERA, **settings)


def rms_px(name: str, frames: Any, spots: Any, **changes: Any) -> tuple[float, float]:
    """Return the rms error of the spots that read OK, and the share of the others."""
    reading = read(name, frames, **changes)
    ok = reading.status == SpotStatus.OK
    return float(np.sqrt(((reading.spot_px - spots)[ok] ** 2).mean())), float(1 - ok.mean())


def table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """Return a table in Markdown."""
    lines = [head, ["---"] * len(head), *rows]
    return "\n".join(f"| {' | '.join(line)} |" for line in lines)


def scatter() -> str:
    """Rms error over the bound for three amounts of light, and the cost."""
    rng = np.random.default_rng(SEED)
    spots = MIDDLE_PX + rng.uniform(-1, 1, (SPOTS, 2))
    ratios: dict[str, list[tuple[float, float]]] = {name: [] for name in ESTIMATORS}
    bounds = []
    read_noise_e = np.sqrt(CAMERA.read_noise_e**2 + CAMERA.gain_dn_per_e**-2 / 12)
    for light_e in LIGHTS_E:
        frames = frames_of_spots(spots, CAMERA, light_e, rng=rng)
        bound = position_bound_px(
            light_e, CAMERA.spot_sigma_px, CAMERA.background_e, read_noise_e, (24, 24), spots
        )
        bounds.append(float(np.sqrt((bound**2).mean())))
        for name in ESTIMATORS:
            error, lost = rms_px(name, frames, spots)
            ratios[name].append((error / bounds[-1], lost))
    order = sorted(ESTIMATORS, key=lambda name: ratios[name][-1][0])
    rows = []
    for name in order:
        cost = ESTIMATORS[name].cost
        assert cost is not None
        found = cost(24, 24)
        cells = [f"{r:.2f}" + (f" ({100 * lost:.0f} % lost)" if lost >= 0.005 else "")
                 for r, lost in ratios[name]]  # fmt: skip
        rows.append([WORDS.get(name, f"`{name}`"), *cells, str(found.multiply_adds),
                     str(found.bytes)])  # fmt: skip
    lights = [f"{light} e, bound {b:.4f} px" for light, b in zip(LIGHTS_E, bounds, strict=True)]
    return table(["estimator", *lights, "multiply-adds", "bytes"], rows)


def scenes() -> tuple[Any, dict[str, Any]]:
    """Return spots, and frames of each kind of intruder."""
    rng = np.random.default_rng(17)
    n = 500
    spots = MIDDLE_PX + rng.uniform(-1, 1, (n, 2))
    angle = rng.uniform(0, 2 * np.pi, n)
    aside = spots + 6 * np.stack([np.cos(angle), np.sin(angle)], axis=-1)
    beyond = np.stack([np.full(n, 25.0), spots[:, 1]], axis=-1)
    hot = rng.random((n, 24, 24)) < 0.001
    extra = {
        "clean": np.zeros((1, 1, 1)),
        "ghost": 1000 * pixel_integrated(aside, 1.8, (24, 24)),
        "hot pixels": np.where(hot, rng.uniform(500, 3000, hot.shape), 0.0),
        "spill": 10000 * pixel_integrated(beyond, 1.8, (24, 24)),
    }
    frames = {
        name: frames_of_spots(spots, CAMERA, 20000, rng=np.random.default_rng(18), extra_e=light)
        for name, light in extra.items()
    }
    return spots, frames


def intruders() -> str:
    """Rms error with a ghost, hot pixels and spill; bold beyond the criterion."""
    spots, frames = scenes()
    found = {name: [rms_px(name, f, spots) for f in frames.values()] for name in ESTIMATORS}
    order = sorted(found, key=lambda name: max(error for error, _ in found[name]))
    return table(["estimator", *frames], [[WORDS.get(n, f"`{n}`"), *map(_judged, found[n])]
                                         for n in order])  # fmt: skip


def _judged(pair: tuple[float, float]) -> str:
    error, lost = pair
    text = f"{error:.3f}" if error < 0.1 else f"{error:.2f}"
    text += f" ({100 * lost:.0f} % lost)" if lost >= 0.01 else ""
    return text if error < CRITERION_PX and lost < 0.01 else f"**{text}**"


def thresholds() -> str:
    """The thresholded centroid at five thresholds."""
    spots, frames = scenes()
    rows = [
        [f"{dn} DN", *(_judged(rms_px("thresholded_centroid", f, spots, threshold_dn=dn))
                       for f in frames.values())]
        for dn in (47, 57, 80, 100, 150)
    ]  # fmt: skip
    return table(["threshold", *frames], rows)


def edges() -> str:
    """Bias of spots near the window's edge, without noise."""
    distances = (1.0, 2.0, 3.0, 4.0, 4.5)
    frames = frames_of_spots([[d, 11.0] for d in distances], CAMERA, 20000)
    rows = []
    for name in ("thresholded_centroid", "weighted_centroid", "matched_filter", "gaussian_fit",
                 "poisson_fit"):  # fmt: skip
        reading = read(name, frames, edge_px=0.0)
        bias = reading.spot_px[:, 0] - np.array(distances)
        rows.append([f"`{name}`", *(f"{value:.3f}" for value in bias)])
    return table(["distance from the outermost centre", *(f"{d:g} px" for d in distances)], rows)


def phases() -> str:
    """Largest error over all phases, by the threshold as a part of the brightest pixel."""
    parts = (0.05, 0.1, 0.2, 0.3, 0.5)
    line = np.arange(16) / 16
    spots = MIDDLE_PX + np.stack([a.ravel() for a in np.meshgrid(line, line)], axis=1)
    rows = []
    for sigma in (1.2, 1.8):
        camera = CAMERA._replace(
            gain_dn_per_e=8.0, black_dn=100.0, full_scale_dn=2**20, spot_sigma_px=sigma
        )
        frames = frames_of_spots(spots, camera, 20000)
        dark = camera.black_dn + camera.gain_dn_per_e * camera.background_e
        peak = float(frames.max(axis=(1, 2)).mean()) - dark
        cells = []
        for part in parts:
            reading = ESTIMATORS["thresholded_centroid"].function(
                frames, camera=camera, threshold_dn=round(dark + part * peak), **COMMON
            )
            cells.append(f"{np.abs(reading.spot_px - spots).max():.3f}")
        rows.append([f"{sigma} px", *cells])
    return table(["sigma", *(f"{100 * part:.0f} %" for part in parts)], rows)


def weights() -> str:
    """The weighted centroid's scatter over the bound, by the width of its weight."""
    rows = []
    for weight in (1.8, 2.2, 2.6, 3.5):
        rng = np.random.default_rng(SEED)
        spots = MIDDLE_PX + rng.uniform(-1, 1, (SPOTS, 2))
        cells = []
        for light_e in LIGHTS_E:
            frames = frames_of_spots(spots, CAMERA, light_e, rng=rng)
            error, _ = rms_px("weighted_centroid", frames, spots, weight_sigma_px=weight)
            bound = position_bound_px(light_e, 1.8, 20.0, 6.0, (24, 24), spots)
            cells.append(f"{error / float(np.sqrt((bound**2).mean())):.2f}")
        rows.append([f"{weight} px", *cells])
    return table(["weight", *(f"{light} e" for light in LIGHTS_E)], rows)


class Compared:
    """The comparison on the demo, run once for its tables."""

    def __init__(self) -> None:
        self.found = compare_estimators(load_scenario(find("harrow_point_reconfigure")), 300.0)
        self.names = list(self.found.summary["settings"])

    def row(self, name: str, axis: str, value: float | None) -> dict[str, Any]:
        """Return one row of the comparison."""
        return next(
            r for r in self.found.rows
            if r["estimator"] == name and r["axis"] == axis
            and (r["value"] is None if value is None else abs(r["value"] - value) < 1e-9)
        )  # fmt: skip

    def light(self) -> str:
        """Calibrated error at three amounts of light."""
        values = (500.0, 5000.0, 20000.0)
        first = [self.row(self.names[0], "signal", v)["bound_px"] for v in values]
        rows = []
        for name in self.names:
            cells = []
            for value in values:
                r = self.row(name, "signal", value)
                lost, taken = 100 * r["failure_rate"], 100 * r["false_accept_rate"]
                text = "not read" if r["corrected_px"] is None else f"{r['corrected_px']:.4f}"
                if max(lost, taken) >= 0.5:
                    text += f" ({lost:.0f} / {taken:.0f} %)"
                cells.append(text)
            gain = self.row(name, "signal", 500.0)["gain"]
            rows.append([_quoted(name), *cells, "-" if gain is None else f"{gain:.2f}"])
        head = [f"{v:.0f} e, bound {b:.4f}" for v, b in zip(values, first, strict=True)]
        return table(["estimator", *head, "gain at 500 e"], rows)

    def adverse(self) -> str:
        """Error as it comes under adverse conditions, cost, and the loop."""
        points = (("ghost", 5.0, "5 % ghost"), ("hot_pixels", 0.1, "0.1 % hot pixels"),
                  ("background_step", 5.0, "5 e/px more background"),
                  ("defocus", 2.16, "20 % wider spot"))  # fmt: skip
        loops = {r["estimator"]: r for r in self.found.summary["loop"]}
        rows = []
        for name in self.names:
            cells = []
            for axis, value, _ in points:
                r = self.row(name, axis, value)
                text = "not read" if r["rms_error_px"] is None else f"{r['rms_error_px']:.4f}"
                if r["wrong_rate"] >= 0.005:
                    text += f" ({100 * r['wrong_rate']:.0f} % wrong)"
                cells.append(text)
            nominal, loop = self.row(name, "nominal", None), loops[name]
            rows.append([
                _quoted(name), *cells, str(nominal["multiply_adds"]), str(nominal["memory_bytes"]),
                f"{loop['rms_urad']:.1f}", f"{1e3 * loop['excess_mean_db']:.1f}",
            ])  # fmt: skip
        return table(["estimator", *(words for *_, words in points), "multiply-adds", "bytes",
                      "loop, µrad rms", "misalignment loss, mdB"], rows)  # fmt: skip


def _quoted(name: str) -> str:
    kind, _, own = name.partition(" ")
    return f"`{kind}` {own}".strip()


def seeds() -> str:
    """What is recommended for eight seeds of the demo, with a processor."""
    kernels = import_module("sim.kernels.compiled")
    rows = []
    for seed in SEEDS:
        scenario = load_scenario(find("harrow_point_reconfigure"), [*PROCESSOR, f"seed={seed}"])
        built = build(scenario, kernels)
        part = entrants(scenario.estimator, scenario.camera)
        timing = timings(part, scenario)
        latencies = {n: t.latency_us for n, t in timing.items() if t.latency_us is not None}
        able = [e for e in part if timing[e.name].fault is None]
        loops = loop_rows(able, first_part(scenario, 300.0), kernels, None, latencies)
        choice, _ = judge(
            part, scenario, judged_points(noisy(scenario.camera)), loops, timing, kernels,
            noise_passed(built),
        )  # fmt: skip
        ahead = next((r for r in choice.reasons if "ahead of" in r), "")
        late = [n for n, why in choice.passed_over.items() if why.startswith("late")]
        rows.append([str(seed), _quoted(choice.estimator or "none"),
                     f"{choice.sets_won} of {choice.sets}", ahead.partition(";")[0],
                     ", ".join(map(_quoted, late))])  # fmt: skip
    return table(["seed", "recommended", "best in", "lead", "ruled out as late"], rows)


def renewed(text: str, tables: dict[str, Callable[[], str]]) -> str:
    """Return a page with its tables made anew."""
    for name, make in tables.items():
        pattern = re.compile(rf"(<!-- {name} -->\n)(.*?)(<!-- /{name} -->)", re.S)
        if not pattern.search(text):
            raise SystemExit(f"<!-- {name} --> is missing")
        made = make()
        print(f"{name}\n{made}\n", flush=True)
        text = pattern.sub(lambda m, made=made: f"{m[1]}{made}\n{m[3]}", text)
    return text


def main() -> None:
    """Measure, and write if asked to."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--write", action="store_true", help="Write both pages.")
    write = parser.parse_args().write
    pages: dict[str, Callable[[], dict[str, Callable[[], str]]]] = {
        "estimators.md": lambda: {
            "scatter": scatter, "intruders": intruders, "thresholds": thresholds, "edges": edges,
            "phases": phases, "weights": weights,
        },
        "estimator_comparison.md": _comparison,
    }  # fmt: skip
    for name, tables in pages.items():
        path = DOCS / name
        text = renewed(path.read_text(encoding="utf-8"), tables())
        if write:
            path.write_text(text, encoding="utf-8")


def _comparison() -> dict[str, Callable[[], str]]:
    compared = Compared()
    return {"light": compared.light, "adverse": compared.adverse, "seeds": seeds}


if __name__ == "__main__":
    main()
