"""Corrections that reach each mirror after a delay of its own."""

from pathlib import Path

import numpy as np
import pytest

from sim.assembly.build import build
from sim.foundations.errors import ProfileError
from sim.kernels import compiled, plain
from sim.loop.fused import reasons_not_fused
from sim.loop.simulate import simulate
from sim.scenario.model import load_scenario
from sim.studies.margins.plant import plant_of

CASE = Path(__file__).parents[2] / "scenarios" / "harrow_point_reconfigure.toml"
SHORT = (
    "switch.connections=[[0,7],[13,20]]", "switch.moves=[]", "duration_ms=60",
    "metrics.hold_from_ms=10", "controller.integral_per_frame=0.3", "limits={}",
    "traces.sample_hz=20000",
)  # fmt: skip
DELAYS_US = {0: 400.0, 13: 1000.0, 103: 1900.0, 116: 650.0}
"""Within the frame, at its end, nearly two frames, and between two others of the same frame."""


def traces_with(path: Path, delays_us: dict[int, float], kernels=compiled):  # noqa: ANN001, ANN201
    lines = ["mirror,axis,resonance_hz,quality,delay_us,cross_axis"]
    for mirror, delay in delays_us.items():
        lines += [f"{mirror},{axis},{700 + mirror},8,{delay},{0.001 * (mirror % 7)}"
                  for axis in "xy"]  # fmt: skip
    path.write_text("\n".join(lines) + "\n")
    built = build(load_scenario(CASE, (*SHORT, f'mirror.population="{path}"')), kernels)
    return built, simulate(built.parts).traces


@pytest.fixture(scope="module")
def mixed(tmp_path_factory):
    path = tmp_path_factory.mktemp("mixed") / "p.csv"
    return traces_with(path, DELAYS_US)


def test_each_mirror_moves_as_it_does_among_mirrors_of_its_own_delay(mixed, tmp_path: Path) -> None:
    # Second way: all mirrors with one delay, which the kernels handle inside a frame. Equal but for
    # the rounding of a frame that is cut into pieces; a wrong tick would show as 1e-6 and more.
    built, traces = mixed
    assert sorted(DELAYS_US) == sorted(built.parts.mirrors)
    for i, mirror in enumerate(built.parts.mirrors):
        _, alike = traces_with(tmp_path / "p.csv", dict.fromkeys(DELAYS_US, DELAYS_US[int(mirror)]))
        got, wanted = traces.error_rad[:, i], alike.error_rad[:, i]
        assert np.abs(wanted).max() > 1e-5
        assert got == pytest.approx(wanted, abs=1e-11)


def test_delays_and_couplings_are_those_of_the_file_mirror_by_mirror(mixed) -> None:
    built, _ = mixed
    wanted = [[DELAYS_US[int(m)]] * 2 for m in built.parts.mirrors]
    np.testing.assert_allclose(1e6 * built.parts.delay_ticks * built.parts.clock.tick_s, wanted)
    np.testing.assert_allclose(
        built.parts.fleet.cross[0], [0.001 * (m % 7) for m in built.parts.mirrors]
    )
    plant = plant_of(built)
    gain = 1.0 / built.parts.population.calibration_ratio
    np.testing.assert_allclose(plant.mix[:, 0, 1] / (gain[:, 1] * plant.mix[:, 0, 0] / gain[:, 0]),
                               [0.001 * (m % 7) for m in built.parts.mirrors])  # fmt: skip
    assert "corrections of different mirrors arrive at different times" in reasons_not_fused(
        built.parts
    )


def test_the_plain_kernels_do_the_same(mixed, tmp_path: Path) -> None:
    # Bound: rounding alone, in a loop that the DAC's steps make coarse (10 urad).
    _, fast = mixed
    _, slow = traces_with(tmp_path / "p.csv", DELAYS_US, plain)
    first = slice(0, 200)  # ten frames: later, a single code may round the other way
    assert fast.error_rad[first] == pytest.approx(slow.error_rad[first], abs=1e-9)


def test_a_delay_within_the_exposure_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ProfileError, match="after the exposure that it is made from, 300 us"):
        traces_with(tmp_path / "p.csv", dict.fromkeys(DELAYS_US, 200.0))
