"""The shipped disturbances, by the `kind` that a scenario names them with."""

from typing import Any, Final

from sim.disturbances.drift import Drift, RandomWalk
from sim.disturbances.light_heat import LightHeat
from sim.disturbances.played import played
from sim.disturbances.record import Record
from sim.disturbances.shock import Shock
from sim.disturbances.slow import Ageing, Charging
from sim.disturbances.thermal import Thermal
from sim.disturbances.wear import Creep, Softening
from sim.foundations.kinds.registry import Registry, class_fault
from sim.mechanics.profiles.ambient_vibration import AmbientVibration
from sim.mechanics.profiles.free_fall import FreeFall
from sim.mechanics.profiles.pulse_train import PulseTrain
from sim.mechanics.profiles.random_vibration import RandomVibration
from sim.mechanics.profiles.sine_dwell import SineDwell
from sim.mechanics.profiles.sine_on_random import SineOnRandom
from sim.mechanics.profiles.sine_sweep import SineSweep
from sim.mechanics.profiles.spectrum_match import SpectrumMatch

DISTURBANCES: Final[Registry[type[Any]]] = Registry(
    "disturbance",
    "disturbances",
    {
        "ageing": Ageing,
        "ambient_vibration": played(AmbientVibration),
        "charging": Charging,
        "creep": Creep,
        "drift": Drift,
        "free_fall": played(FreeFall),
        "pulse_train": played(PulseTrain),
        "light_heat": LightHeat,
        "random_walk": RandomWalk,
        "random_vibration": played(RandomVibration),
        "record": Record,
        "shock": Shock,
        "sine_dwell": played(SineDwell),
        "sine_on_random": played(SineOnRandom),
        "sine_sweep": played(SineSweep),
        "spectrum_match": played(SpectrumMatch),
        "softening": Softening,
        "thermal": Thermal,
    },
    class_fault({"initial_state": (), "advance": ("state", "first_frame", "n_frames")}, "site"),
)
"""Name in a scenario -> disturbance."""
