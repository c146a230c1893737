"""The result of a run, and the folder it is filed in: written whole or not at all."""

import json
import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import tomli_w

from sim.filing import filed
from sim.ports import Array
from sim.scenario import Scenario
from sim.traces import Epoch, SpotImages, Traces

PROFILES = "profiles"


@dataclass(frozen=True, slots=True)
class Result:
    """Everything one run gave."""

    scenario: Scenario
    """With all defaults filled in."""
    figures: dict[str, Any]
    """See `sim.metrics.evaluate`."""
    limits: list[dict[str, Any]]
    """name, limit, value, met."""
    traces: Traces
    epochs: tuple[Epoch, ...]
    images: SpotImages
    shock_spectrum: tuple[Array, Array, float] | None
    """Frequencies (n,) [Hz], maximax (n, 3) [m/s^2], quality factor."""
    notes: tuple[str, ...]
    provenance: dict[str, Any]
    profiles: tuple[Path, ...]
    """Files the scenario reads."""

    @property
    def met(self) -> bool:
        """Whether every limit was met."""
        return all(limit["met"] for limit in self.limits)

    def results(self) -> dict[str, Any]:
        """Return what `results.json` holds."""
        return {
            **self.figures,
            "limits": self.limits,
            "scenario": self._portable_scenario(),
            "notes": list(self.notes),
            "provenance": self.provenance,
        }

    def write(self, folder: str | Path, *, overwrite: bool = False) -> Path:
        """Write the result folder and return it.

        Parameters
        ----------
        folder : str or Path
            Gets results.json, traces.npz, report.html, scenario.toml and the profiles it reads.
        overwrite : bool
            Whether an existing folder may be replaced.

        Raises
        ------
        OutputError
            If the folder exists and `overwrite` is false, or it cannot be written.
        """
        folder = Path(folder)
        with filed(folder, overwrite=overwrite) as new:
            self._fill(new)
        return folder

    def _fill(self, folder: Path) -> None:
        from sim.report import ReportView, render

        toml = tomli_w.dumps(self._portable_scenario())
        view = ReportView(
            title=self.scenario.title,
            question=self.scenario.question.strip(),
            figures=self.figures,
            limits=self.limits,
            traces=self.traces,
            epochs=self.epochs,
            images=self.images,
            scenario_toml=toml,
            provenance=self.provenance,
            notes=self.notes,
            shock_spectrum=self.shock_spectrum,
            outage_excess_db=self.scenario.metrics.outage_excess_db,
            ports=self.scenario.switch.geometry.ports_per_side,
        )
        for path, name in zip(self.profiles, _names(self.profiles), strict=True):
            (folder / PROFILES).mkdir(exist_ok=True)
            shutil.copyfile(path, folder / PROFILES / name)
        text = json.dumps(self.results(), indent=1, allow_nan=False)
        (folder / "results.json").write_text(text, encoding="utf-8")
        (folder / "scenario.toml").write_text(toml, encoding="utf-8")
        (folder / "report.html").write_text(render(view), encoding="utf-8")
        arrays: dict[str, Any] = {**self.traces.arrays(), **self._wiring()}
        np.savez_compressed(folder / "traces.npz", **arrays)

    def _wiring(self) -> dict[str, Any]:
        """The epochs as arrays, E of them."""
        epochs = self.epochs
        return {
            "epoch_start_s": np.array([e.start_s for e in epochs]),
            "epoch_outputs": np.stack([e.outputs for e in epochs]),
            "epoch_pairs": np.stack([e.pairs for e in epochs]),
            "epoch_aim_rad": np.stack([e.aim_rad for e in epochs]),
            "epoch_aligned_db": np.stack([e.aligned_db for e in epochs]),
        }

    def _portable_scenario(self) -> dict[str, Any]:
        """The scenario with its profiles beside it, so that the folder stands alone."""
        tree = self.scenario.model_dump(mode="json", exclude_none=True)
        names = {str(p): n for p, n in zip(self.profiles, _names(self.profiles), strict=True)}
        _rename(tree["disturbances"], names)
        return tree


def _names(paths: tuple[Path, ...]) -> list[str]:
    """File names for copies of the profiles; the same file gets the same name, no two collide."""
    unique = list(dict.fromkeys(paths))
    taken = [path.name for path in unique]
    short = {
        path: path.name if taken.count(path.name) == 1 else f"{i}_{path.name}"
        for i, path in enumerate(unique)
    }
    return [short[path] for path in paths]


def _rename(tree: Any, names: dict[str, str]) -> None:
    if isinstance(tree, dict):
        if isinstance(tree.get("file"), str):
            tree["file"] = f"{PROFILES}/{names[tree['file']]}"
        tree = list(tree.values())
    if isinstance(tree, list):
        for part in tree:
            _rename(part, names)
