"""The result of a run, and the folder it is filed in: written whole or not at all."""

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from sim.foundations.files.filing import filed, put_page
from sim.mechanics.shock_spectrum import ResponseSpectrum
from sim.optics.epochs import Epoch
from sim.results.ranking import Ranking
from sim.results.traces import SpotImages, Traces
from sim.results.verdict import Verdict
from sim.scenario.model import Scenario
from sim.scenario.portable import copy_files, portable, portable_toml
from sim.studies.played.study import PlayedEvent
from sim.studies.run.alarms import watch_texts


@dataclass(frozen=True, slots=True)
class Result:
    """Everything one run gave."""

    scenario: Scenario
    """With all defaults filled in."""
    figures: dict[str, Any]
    """See `sim.results.metrics.evaluate`."""
    limits: list[dict[str, Any]]
    """name, limit, value, met."""
    traces: Traces
    epochs: tuple[Epoch, ...]
    images: SpotImages
    shock_spectrum: ResponseSpectrum | None
    notes: tuple[str, ...]
    provenance: dict[str, Any]
    rows: Ranking
    """Every connection and mirror, and who each figure is owed to."""
    verdict: Verdict
    conditions: tuple[dict[str, Any], ...]
    """Of records and shocks, as they were played."""
    played: tuple[PlayedEvent, ...]
    """What shakes the base, see `sim.studies.played`."""
    alarms: tuple[dict[str, Any], ...] | None
    """What the health watch found, see `sim.studies.run.alarms`; None without one."""
    page_data: dict[str, Any]
    """What the page shows beside the figures; see `sim.studies.run.page_data`."""

    @property
    def met(self) -> bool:
        """Whether every limit was met, and put to the test."""
        return self.verdict.passes

    @property
    def limited(self) -> set[str]:
        """Names of the limits that were asked for."""
        return {limit["name"] for limit in self.limits}

    def results(self) -> dict[str, Any]:
        """Return what `results.json` holds."""
        from sim.studies.played.sections import profile_figures

        return {
            **self.figures,
            "limits": self.limits,
            "verdict": {
                "word": self.verdict.word,
                "text": self.verdict.text,
                "deciding": self.verdict.deciding,
                "not_exercised": list(self.verdict.because),
                "not_modelled": list(self.verdict.beyond),
                "diverging": list(self.verdict.diverging),
                "spectra_missed": list(self.verdict.short),
            },
            "culprits": {
                path: {k: v for k, v in who._asdict().items() if k != "during" or v}
                for path, who in self.rows.culprits.items()
            },
            "connections": self.rows.connections,
            "mirrors": self.rows.mirrors,
            "conditions": list(self.conditions),
            **({} if self.alarms is None else {"alarms": list(self.alarms)}),
            "shock_spectrum": self._spectrum(),
            **({"profiles": [profile_figures(e) for e in self.played]} if self.played else {}),
            "scenario": portable(self.scenario),
            "notes": list(self.notes),
            "provenance": self.provenance,
        }

    def _spectrum(self) -> dict[str, Any] | None:
        if self.shock_spectrum is None:
            return None
        frequency_hz, maximax, quality, supported_hz, _ = self.shock_spectrum
        axes = {
            f"{axis}_m_s2": [float(v) for v in column]
            for axis, column in zip("xyz", maximax.T, strict=True)
        }
        return {
            "quality": quality,
            "frequency_hz": [float(f) for f in frequency_hz],
            "band_hz": [float(frequency_hz[0]), float(frequency_hz[-1])],
            "supported_to_hz": min(supported_hz, float(frequency_hz[-1])),
            **axes,
        }

    def write(
        self, folder: str | Path, *, overwrite: bool = False, pdf: bool = False
    ) -> Path:
        """Write the result folder and return it.

        Parameters
        ----------
        folder : str or Path
            Gets results.json, traces.npz, report.html, scenario.toml and the profiles it reads.
        overwrite : bool
            Whether an existing folder may be replaced.
        pdf : bool
            Whether to write report.pdf too (extra `pdf`).

        Raises
        ------
        OutputError
            If the folder exists and `overwrite` is false, or it cannot be written.
        """
        folder = Path(folder)
        with filed(folder, kind="run", overwrite=overwrite) as new:
            self._fill(new)
            page = new / "report.html"
            if pdf and page.exists():
                from sim.report.pdf import pdf_of

                (new / "report.pdf").write_bytes(pdf_of(page))
        return folder

    def _fill(self, folder: Path) -> None:
        from sim.report.page import page_of
        from sim.report.view import ReportView
        from sim.studies.played.sections import sections_of

        toml = portable_toml(self.scenario)
        view = ReportView(
            title=self.scenario.title,
            question=self.scenario.question.strip(),
            figures=self.figures,
            limits=self.limits,
            verdict=self.verdict,
            rows=self.rows,
            conditions=self.conditions,
            **self.page_data,
            played=sections_of(self.played, "What shakes the base"),
            watch=[] if self.alarms is None else watch_texts(self.alarms),
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
        copy_files(self.scenario, folder)
        text = json.dumps(self.results(), indent=1, allow_nan=False)
        (folder / "results.json").write_text(text, encoding="utf-8")
        (folder / "scenario.toml").write_text(toml, encoding="utf-8")
        arrays: dict[str, Any] = {**self.traces.arrays(), **self._wiring()}
        np.savez_compressed(folder / "traces.npz", **arrays)
        put_page(folder, lambda: page_of(view))

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
