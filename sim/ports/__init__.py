"""The ports of the loop: what an estimator, a controller, a shaper and a disturbance must be."""

from sim.ports.array import Array as Array
from sim.ports.controller import Controller as Controller
from sim.ports.controller import Knob as Knob
from sim.ports.controller import PlantBelief as PlantBelief
from sim.ports.controller import Setpoint as Setpoint
from sim.ports.controller import TiltReading as TiltReading
from sim.ports.controller import Tunable as Tunable
from sim.ports.controller import WithRules as WithRules
from sim.ports.disturbance import Clock as Clock
from sim.ports.disturbance import Disturbance as Disturbance
from sim.ports.disturbance import Effects as Effects
from sim.ports.disturbance import Event as Event
from sim.ports.disturbance import Site as Site
from sim.ports.disturbance import WithDensity as WithDensity
from sim.ports.disturbance import WorthAPicture as WorthAPicture
from sim.ports.disturbance import conditions_of as conditions_of
from sim.ports.disturbance import events_of as events_of
from sim.ports.disturbance import shows_event as shows_event
from sim.ports.estimator import CameraBelief as CameraBelief
from sim.ports.estimator import Estimator as Estimator
from sim.ports.estimator import PixelSums as PixelSums
from sim.ports.estimator import SpotReading as SpotReading
from sim.ports.estimator import SpotStatus as SpotStatus
from sim.ports.estimator import reading_fault as reading_fault
from sim.ports.shaper import Shaper as Shaper
from sim.ports.shaper import path_fault as path_fault
