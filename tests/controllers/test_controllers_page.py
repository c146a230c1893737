"""The page on controllers says what the code does: its tables and its example are run here."""

import re
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from mirrorloop.testing.controllers import PLANT, check_controller

from controllers import CONTROLLERS, SHAPERS
from controllers.rules import effective_delay_s, simc_pure_delay
from sim.foundations.ports import PlantBelief
from tests.controllers.loops import on_model
from tests.controllers.test_shapers import after
from tests.controllers.test_smith import model_of

START = 3
"""Frames before the pulse: in its first frame a controller holds its derivative back."""
PAGE = Path(__file__).parents[2] / "docs" / "controllers.md"


def off(factor: float) -> PlantBelief:
    """Return the plant with both resonances `factor` times the believed ones."""
    x, y = PLANT.resonance_rad_s
    return PLANT._replace(resonance_rad_s=(factor * x, factor * y))


def part(family: Any, settings: dict[str, Any]) -> Any:
    cls = family[settings["kind"]]
    return cls(cls.Params.model_validate(settings), PLANT)


def loop_row(settings: dict[str, Any]) -> list[str]:
    """Return the cells of a controller: the worse axis of each figure."""
    controller = part(CONTROLLERS, settings)
    pulse = np.zeros((800 + START, 1, 2))
    pulse[START] = 1.0
    quiet = np.zeros_like(pulse)

    def peak(factor: float) -> tuple[str, np.ndarray]:
        tilt, _ = on_model(controller, model_of(off(factor)), pulse, quiet)
        if np.abs(tilt[-100:]).max() > 1e-3:
            return "unstable", tilt
        s = np.abs(np.fft.rfft(tilt[START:, 0], 2**14, axis=0))
        return f"{s.max():.2f}", s

    believed, s = peak(1.0)
    f_hz = np.fft.rfftfreq(2**14, PLANT.frame_s)
    first_hz = min(f_hz[1:][np.argmax(s[1:, axis] >= 1.0)] for axis in (0, 1))
    answer, _ = on_model(controller, model_of(PLANT), quiet, pulse)
    noise = (answer[:, 0] ** 2).sum(axis=0).max()
    return [believed, f"{first_hz:.0f}", f"{noise:.2f}", peak(0.95)[0], peak(1.05)[0]]


def move_row(settings: dict[str, Any]) -> list[str]:
    """Return the cells of a shaper for 4 mrad on x: duration, ringing left at -5, 0 and +5 %."""
    start_rad, target_rad = np.zeros((1, 2)), np.full((1, 2), 4e-3)
    path_rad = part(SHAPERS, settings).path(start_rad, target_rad)[:, :, 0]
    last = int(np.flatnonzero(np.abs(path_rad[:, 0] - target_rad[0, 0]) > 0.0).max(initial=-1)) + 1
    cells = [f"{1e3 * PLANT.tick_s * last:.2f}"]
    for factor in (0.95, 1.0, 1.05):
        w, q = factor * PLANT.resonance_rad_s[0], PLANT.quality[0]
        left = after(path_rad[: last + 1], start_rad[:, 0], w, q, PLANT.tick_s)[0]
        cells.append(f"{100.0 * left / 4e-3:.1f}")
    return cells


def rows(section: str) -> list[tuple[dict[str, Any], list[str]]]:
    """Return (settings, printed cells) of the table under a heading of the page."""
    text = PAGE.read_text(encoding="utf-8").split(f"## {section}\n")[1].split("\n## ")[0]
    found = re.findall(r"^\| `([^`]*)` \| (.*) \|$", text, flags=re.MULTILINE)
    return [(tomllib.loads(f"a = {{ {s} }}")["a"], cells.split(" | ")) for s, cells in found]


@pytest.mark.parametrize(
    ("section", "row", "family"),
    [("Figures of the loop", loop_row, CONTROLLERS), ("Figures of the moves", move_row, SHAPERS)],
)
def test_printed_figures_are_what_the_code_gives(section: str, row: Any, family: Any) -> None:
    table = rows(section)
    assert {settings["kind"] for settings, _ in table} | {"open_loop"} >= set(family)
    for settings, printed in table:
        assert row(settings) == printed, settings


def test_rule_of_thumb_on_the_page() -> None:
    delay_s = effective_delay_s(PLANT)
    text = PAGE.read_text(encoding="utf-8")
    assert f"{1e3 * delay_s:.2f} ms" in text
    assert f"{simc_pure_delay(delay_s, PLANT.frame_s):.2f} per frame" in text


def test_example_on_the_page_keeps_the_contract(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    code = re.search(r"```python\n(# my_lab/leaky.py\n.*?)```", PAGE.read_text("utf-8"), re.DOTALL)
    assert code is not None
    (tmp_path / "my_lab").mkdir()
    (tmp_path / "my_lab" / "leaky.py").write_text(code.group(1), encoding="utf-8")
    monkeypatch.syspath_prepend(tmp_path)
    cls = CONTROLLERS.find("my_lab.leaky:Leaky")
    # A leak lets go of what stands, so this one does not claim a hand-over without a bump.
    check_controller(cls(cls.Params(integral_per_frame=0.2, leak=0.01), PLANT))
