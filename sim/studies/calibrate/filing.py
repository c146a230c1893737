"""The folder of a calibration: what the firmware loads, and what is known of it."""

import datetime
import json
from pathlib import Path
from typing import Any, Final

import numpy as np
import tomli_w

from sim.calibration.results import results_json
from sim.foundations.files.filing import filed, put_page
from sim.report.study_page import render_study
from sim.results.limits import LimitsParams
from sim.scenario.model import Scenario
from sim.scenario.portable import copy_files, portable
from sim.studies.calibrate.confusion import Confused
from sim.studies.calibrate.cost import Costs
from sim.studies.calibrate.page import page_of, verdict_of
from sim.studies.calibrate.study import SimulatedCalibration
from sim.studies.run.provenance import NOTHING_ASKED, Request, provenance

KIND: Final = "calibrate"
RESULTS: Final = "calibration.json"
MAPS: Final = "calibration_maps.npz"
SCENARIO: Final = "calibrated.toml"


def write(
    scenario: Scenario, found: SimulatedCalibration, cost: Costs | None, confused: Confused | None,
    folder: str | Path, started: datetime.datetime, *, overwrite: bool,
    asked: Request = NOTHING_ASKED,
) -> Path:  # fmt: skip
    """Write calibration.json, its maps, calibrated.toml, calibrate.json and report.html.

    Parameters
    ----------
    scenario : Scenario
        What was calibrated.
    found : SimulatedCalibration
        From `calibrate`.
    cost : Costs or None
        What its errors cost the loop, if that was asked for.
    confused : Confused or None
        How often spots are taken for others, likewise.
    folder : str or Path
        The result folder; written whole or not at all.
    started : datetime
        When the study began.
    overwrite : bool
        Whether an existing folder may be replaced.
    asked : Request
        What led to it, to be filed.

    Returns
    -------
    Path
        The folder.

    Raises
    ------
    OutputError
        If the folder exists and may not be replaced, or cannot be written.
    """
    folder = Path(folder)
    origin = provenance(scenario, started, asked)
    plain = scenario.replace(calibration=found.settings)
    maps = found.beliefs.maps
    arrays = None if maps is None or maps.dark_dn is None else maps
    with filed(folder, kind=KIND, overwrite=overwrite) as new:
        (new / RESULTS).write_text(results_json(found.beliefs.results), encoding="utf-8")
        if arrays is not None and arrays.dark_dn is not None and arrays.response is not None:
            np.savez_compressed(new / MAPS, dark_dn=arrays.dark_dn, response=arrays.response)
        tree = portable(plain)
        tree["calibration"] |= {"results": RESULTS} | ({"maps": MAPS} if arrays else {})
        (new / SCENARIO).write_text(tomli_w.dumps(tree), encoding="utf-8")
        (new / "scenario.toml").write_text(tomli_w.dumps(portable(plain)), encoding="utf-8")
        copy_files(plain, new)
        results = results_of(found, cost, confused, scenario.limits) | {"provenance": origin}
        text = json.dumps(results, indent=1, allow_nan=False)
        (new / "calibrate.json").write_text(text, encoding="utf-8")
        page = page_of(plain, found, cost, confused)._replace(provenance=origin)
        put_page(new, lambda: render_study(page))
    return folder


def results_of(
    found: SimulatedCalibration, cost: Costs | None, confused: Confused | None,
    limits: LimitsParams | None = None,
) -> dict[str, Any]:
    """Return everything that a calibration found, as plain data."""
    return {
        "verdict": verdict_of(found, cost, confused, limits)[0],
        "estimates": [each._asdict() | {"holds": each.holds} for each in found.estimates],
        "times": [each._asdict() for each in found.times],
        "actuators": {
            "gain_error_pct_rms": found.spread.gain_true_pct,
            "cross_axis_error_pct_rms": found.spread.cross_true_pct,
            "intervals_that_hold": found.spread.gain_covered,
            "unread": found.spread.unread.tolist(),
        },
        "costs": None if cost is None else {
            kind: {name: outcome._asdict() for name, outcome in table.items()}
            for kind, table in cost._asdict().items()
        },
        "wrong_spots": None if confused is None else {
            "seeds": confused.seeds,
            "readings": confused.readings,
            "unsettled": confused.unsettled,
            "rates": {
                name: {what: rate._asdict() for what, rate in rates.items()}
                for name, rates in confused.rates.items()
            },
        },
    }  # fmt: skip
