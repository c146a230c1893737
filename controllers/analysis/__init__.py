"""Linear analysis of the loop: the same plant, delay, hold and controller as the simulation."""

from controllers.analysis.linear_loop import (
    Loop,
    close,
    frequency_grid,
    gain_to_fall,
    loop_gain,
    noise_gain,
)
from controllers.analysis.linearise import LinearController, linearise
from controllers.analysis.margins import Margins, margins
from controllers.analysis.plant import Plant, population_plant
from controllers.analysis.poles import NearestPole, nearest_poles
from controllers.analysis.systems import (
    ClosedSystems,
    closed_systems,
    controller_system,
    loop_system,
    plant_system,
)

__all__ = [
    "ClosedSystems",
    "LinearController",
    "Loop",
    "Margins",
    "NearestPole",
    "Plant",
    "close",
    "closed_systems",
    "controller_system",
    "frequency_grid",
    "gain_to_fall",
    "linearise",
    "loop_gain",
    "loop_system",
    "margins",
    "nearest_poles",
    "noise_gain",
    "plant_system",
    "population_plant",
]
