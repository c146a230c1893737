"""The page of a run that plays every kind of profile at once is drawn whole."""

from pathlib import Path

from sim.disturbances import DISTURBANCES
from sim.disturbances.played import PlayedProfile
from sim.scenario.model import load_scenario
from sim.studies.run.run import run

ONE = Path(__file__).parents[2] / "one_mirror.toml"
FLAT = "[{hz=50.0, g2_per_hz=1e-5}, {hz=400.0, g2_per_hz=1e-5}]"
SETTINGS = {
    "pulse_train": 'start_ms=5, pulse="sawtooth", peak_g=1.0, duration_ms=6.0, count=2, '
                   "period_ms=9.0",
    "free_fall": "start_ms=5, height_mm=1.0, impact_ms=5.0, restitution=0.3",
    "sine_sweep": "start_ms=5, from_hz=100.0, to_hz=400.0, rate=4000.0, peak_g=0.1",
    "sine_dwell": "start_ms=5, frequency_hz=100.0, peak_g=0.1, duration_ms=50.0",
    "random_vibration": f"start_ms=5, duration_ms=80.0, density={FLAT}",
    "sine_on_random": f"start_ms=5, duration_ms=80.0, density={FLAT}, "
                      "tones=[{hz=90.0, peak_g=0.1}]",
    "spectrum_match": "start_ms=5, quality=10.0, duration_ms=80.0, "
                      "required=[{hz=50.0, g=1.0}, {hz=200.0, g=1.0}]",
    "ambient_vibration": "tones=[{hz=120.0, peak_g=0.01}]",
}  # fmt: skip


def test_every_kind_of_profile_is_on_the_page(tmp_path):
    kinds = {name for name, cls in DISTURBANCES.items() if issubclass(cls, PlayedProfile)}
    assert kinds == set(SETTINGS)  # a new kind needs its line here
    entries = [f'{{kind="{kind}", direction="x", {more}}}' for kind, more in SETTINGS.items()]
    scenario = load_scenario(ONE, (f"disturbances=[{', '.join(entries)}]",))
    folder = run(scenario).write(tmp_path / "out")
    assert not (folder / "page-fault.txt").exists()
    page = (folder / "report.html").read_text(encoding="utf-8")
    assert page.count("What shakes the base:") == len(kinds)
    for words in ("sine sweep", "2 x sawtooth 1 g 6 ms", "free fall", "ambient vibration"):
        assert words in page
