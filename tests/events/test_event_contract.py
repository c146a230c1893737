"""What every event must do, run over the whole family."""

import pytest

from sim.assembly.build import build
from sim.events import EVENTS
from sim.foundations.errors import PlugInError
from sim.foundations.ports import Faults, RunEvent, WithSurroundings
from sim.loop.faults import check_faults
from sim.loop.simulate import simulate
from sim.scenario.model import load_scenario
from tests.events.rig import ONE, built, ran
from tests.events.test_light_and_air import THERMAL

SETTINGS = {
    "board_power": 'board="A-1",for_ms=10,fall_ms=1,rise_ms=1,gain_error_pct=1',
    "fan_failure": "rise_k=3,air_tau_s=0.1",
    "frames_dropped": "share_pct=50",
    "frames_late": "late_frames=2,share_pct=50",
    "latency_jitter": 'jitter_us=500,shape="exponential"',
    "light_dimmed": "light=0.8,for_ms=20",
    "light_flickering": "depth=0.5,frequency_hz=333",
    "mirror_drifting": 'mirrors=["A00"],rate_urad_per_s=100',
    "mirror_noisy": 'mirrors=["A00","B00"],rms_urad=10',
    "mirror_oscillating": 'mirrors=["A00"],amplitude_urad=10,frequency_hz=300',
    "mirror_shorted": 'mirrors=["B00"],for_ms=5',
    "mirror_stuck": 'mirrors=["B00"],axis="x"',
    "mirror_weak": 'mirrors=["B00"],gain=0.5,over_ms=10',
    "rows_corrupted": "count=30,share_pct=50",
    "supply_sag": "sag_pct=10,for_ms=20",
    "windows_late": "late_frames=1",
}
AT_MS = 30


@pytest.fixture(params=sorted(EVENTS))
def events(request):
    return f'[{{kind="{request.param}",at_ms={AT_MS},{SETTINGS[request.param]}}}]'


def test_it_says_what_it_is_and_does_nothing_before_its_time(events):
    made = built(events, THERMAL)
    event = made.parts.events[0]
    assert isinstance(event, RunEvent)
    assert event.mirrors.shape == (2,) and event.mirrors.any()
    assert event.event.from_s == pytest.approx(1e-3 * AT_MS) and event.event.name
    assert event.event.to_s > event.event.from_s
    for frame in range(100):
        check_faults(event.faults(frame), event, 0, made.parts)
        nothing = [f for f in event.faults(frame)[:8] if f is not None and f.any()]
        if frame < AT_MS and not event.faults(frame).gain is not None:
            assert not nothing or (event.faults(frame).rest_rad == 0).all()


def test_a_run_under_it_is_the_same_twice_and_on_either_path(events):
    made, one = ran(events, THERMAL, 'camera.noise="fast"', "estimator.threshold_dn=1400", ms=60)
    two = simulate(made.parts, fused=False)
    for name, value in one.traces.arrays().items():
        assert value.tobytes() == two.traces.arrays()[name].tobytes(), name
    if not isinstance(made.parts.events[0], WithSurroundings):
        assert one.spent.fused_frames >= AT_MS - 3


def test_faults_of_other_shapes_or_later_than_said_are_refused():
    parts = built('[{kind="frames_late",at_ms=0,late_frames=1}]').parts
    event = parts.events[0]
    with pytest.raises(PlugInError, match=r"dropped must be of shape \(2,\)"):
        check_faults(Faults(dropped=parts.fleet.travel_rad[:1] > 0), event, 0, parts)
    late = event.faults(0).late_frames
    with pytest.raises(PlugInError, match="late_frames must be from 0 to 1.*got 2"):
        check_faults(Faults(late_frames=2 * late), event, 0, parts)
    with pytest.raises(PlugInError, match="not Faults"):
        check_faults(None, event, 0, parts)


OWN = """
import numpy as np
from mirrorloop import Block, Event, Faults, Lateness

class Params(Block):
    kind: str = ""
    at_ms: float = 20.0

class Twitch:
    Params = Params
    lateness = Lateness()
    def __init__(self, params, site):
        self.mirrors = np.array([True, False])
        self.event = Event("a twitch", 1e-3 * params.at_ms, 1e-3 * params.at_ms + 1e-3, 0.0)
        self.ticks = site.clock.ticks_per_frame
    def faults(self, frame):
        if frame != 20:
            return Faults()
        return Faults(asked_rad=np.full((self.ticks, 2, 2), 1e-3))
"""


def test_an_event_of_ones_own_is_named_by_its_file(tmp_path):
    (tmp_path / "own.py").write_text(OWN, encoding="utf-8")
    event = f'events=[{{kind="{tmp_path}/own.py:Twitch"}}]'
    scenario = load_scenario(ONE, [event, "traces.sample_hz=20000", "metrics.dwell_ms=1"])
    error = simulate(build(scenario).parts).traces.error_rad
    assert abs(error[408, 0, 0] - 1e-3) < 2e-5 and abs(error[399]).max() < 1e-5
