# Scenarios and runs
from sim.scenario.gallery import cases as cases
from sim.scenario.gallery import find as _find_scenario
from sim.scenario.model import Scenario as Scenario
from sim.scenario.model import load_scenario as load_scenario
from sim.assembly.build import Built as Built
from sim.assembly.build import build as build
from sim.studies.run.run import run as run
from sim.loop.state import LoopState as LoopState
from sim.loop.state import initial_state as initial_state
from sim.loop.simulate import simulate as simulate
from sim.loop.simulate import steps as steps
from sim.loop.simulate import finished as finished
from sim.loop.saved import save_state as save_state
from sim.loop.saved import load_state as load_state
from sim.loop.state import copy_state as copy_state
from sim.studies.run.result import Result as Result
from sim.results.traces import Traces as Traces
from sim.results.traces import SpotImages as SpotImages
from sim.results.metrics import mirror_name as mirror_name
from sim.foundations.errors import SimError as SimError
from sim.foundations.errors import ScenarioError as ScenarioError
from sim.foundations.errors import ProfileError as ProfileError
from sim.foundations.errors import PlugInError as PlugInError
from sim.foundations.errors import OutputError as OutputError
find_scenario = _find_scenario

# Studies
from sim.studies.margins.margins import study as _study_margins
from sim.studies.margins.margins import MarginsStudy as MarginsStudy
from sim.studies.margins.margins import rows as _margins_table
from sim.studies.margins.margins import NonlinearLawError as NonlinearLawError
from sim.studies.margins.sector import sector_study as _study_sector
from sim.studies.margins.sector import SectorStudy as SectorStudy
from sim.studies.margins.spectra import spectra_of as spectra_of
from sim.studies.margins.spectra import Spectra as Spectra
from sim.studies.margins.predict import predict as predict
from sim.studies.margins.predict import Prediction as Prediction
from sim.studies.margins.demands import demands_of as demands_of
from sim.studies.margins.demands import Demands as Demands
from sim.studies.margins.candidate import Candidate as Candidate
from sim.studies.margins.tune import tune as tune
from sim.studies.margins.tune import TuningResult as TuningResult
from sim.studies.margins.verify import verify_choice as verify_choice
from sim.studies.margins.verify import Verified as Verified
from sim.studies.margins.robustness import changed as _sensitivity
from sim.studies.margins.together import together as _sensitivity_together
from sim.studies.margins.together import Together as Together
from sim.studies.margins.robustness import fastest as _fastest_loops
from sim.studies.estimators.run import compare_estimators as _compare_estimators
from sim.studies.sweep.run import sweep as sweep
from sim.studies.sweep.run import Swept as Swept
from sim.studies.campaign.run import campaign as campaign
from sim.studies.campaign.found import Campaign as Campaign
from sim.studies.played.study import study as _study_profiles
from sim.studies.played.study import PlayedEvent as PlayedEvent
from sim.studies.health.study import study as _study_health
from sim.studies.health.study import HealthStudy as HealthStudy
from sim.studies.isolators.study import compare_isolators as compare_isolators
from sim.studies.isolators.study import load_mounts as load_mounts
from sim.mechanics.isolator import IsolatorParams as IsolatorParams
from sim.studies.firmware.writing import write_firmware as write_firmware
from sim.studies.firmware.single_precision import write_single_firmware as write_single_firmware
from sim.studies.firmware.single_precision import single_vectors as single_vectors
from sim.studies.firmware.vectors import vectors_of as vectors_of
from sim.studies.firmware.vectors import Vectors as Vectors
from sim.studies.firmware.vectors_filing import write_vectors as write_vectors
from sim.studies.firmware.counting import count_instructions as count_instructions
from sim.firmware.emulator import Counted as _CountedInstructions
from sim.studies.replay.study import replay as replay
from sim.studies.replay.study import Replay as Replay
from sim.studies.replay.events import parse_profile as parse_profile
from sim.studies.replay.events import EventProfile as EventProfile
from sim.studies.formats.study import formats as _study_formats
from sim.studies.formats.study import FormatsStudy as FormatsStudy
from sim.studies.formats.filing import write_formats as write_formats
from sim.studies.calibrate.study import calibrate as _study_calibration
from sim.studies.calibrate.study import SimulatedCalibration as SimulatedCalibration
from sim.studies.calibrate.cost import costs as _calibration_costs
from sim.studies.calibrate.cost import Costs as _CalibrationCosts
from sim.studies.calibrate.confusion import confusion as _wrong_spot_rates
from sim.studies.calibrate.filing import write as _write_calibration
from sim.studies.deadline.study import study_deadline as study_deadline
from sim.studies.deadline.study import Deadline as Deadline
from sim.studies.identify.identify import identify as identify
from sim.studies.identify.identify import Identified as Identified
from sim.studies.identify.record import record as _record_log
from sim.studies.identify.filing import write_identified as write_identified
from sim.studies.identify.filing import write_recorded as write_recorded
from sim.studies.connections.study import study as _connections
from sim.studies.connections.study import ConnectionStudy as ConnectionStudy
from sim.studies.connections.filing import write as _write_connections
from sim.studies.connections.many_lives import many_lives as many_lives
from sim.studies.built.study import study as _study_yield
from sim.studies.built.study import Yield as Yield
from sim.studies.built.filing import write as _write_yield
write_connections = _write_connections
write_yield = _write_yield
CountedInstructions = _CountedInstructions
study_yield = _study_yield
study_formats = _study_formats
study_calibration = _study_calibration
calibration_costs = _calibration_costs
CalibrationCosts = _CalibrationCosts
wrong_spot_rates = _wrong_spot_rates
write_calibration = _write_calibration
study_profiles = _study_profiles
study_health = _study_health
connections = _connections
record_log = _record_log
study_margins = _study_margins
study_sector = _study_sector
margins_table = _margins_table
sensitivity = _sensitivity
sensitivity_together = _sensitivity_together
fastest_loops = _fastest_loops
compare_estimators = _compare_estimators

from sim.studies.life.study import live as live
from sim.studies.life.study import Life as Life
from sim.studies.life.switches import switches as _live_switches
live_switches = _live_switches
from sim.studies.life.start import start_at as start_at
from sim.studies.life.both_clocks import overlap as overlap
from sim.studies.life.extrapolation import extrapolate as extrapolate
from sim.studies.life.extrapolation import write_extrapolation as write_extrapolation

# Parts of your own
from sim.foundations.params import Block as Block
from sim.foundations.params import Positive as Positive
from sim.foundations.params import NonNegative as NonNegative
from sim.foundations.params import Fraction as Fraction
from sim.foundations.params import Count as Count
from sim.foundations.params import PairXY as PairXY
from sim.foundations.ports.array import Array as Array
from sim.foundations.ports import Controller as Controller
from sim.foundations.ports import TiltReading as TiltReading
from sim.foundations.ports import Setpoint as Setpoint
from sim.foundations.ports import PlantBelief as PlantBelief
from sim.foundations.ports import Estimator as Estimator
from sim.estimators import EstimatorKind as EstimatorKind
from sim.estimators.settings import SpotSettings as SpotSettings
from sim.foundations.ports import SpotReading as SpotReading
from sim.foundations.ports import SpotStatus as SpotStatus
from sim.foundations.ports import CameraBelief as CameraBelief
from sim.foundations.ports import PixelSums as PixelSums
from sim.foundations.ports import Shaper as Shaper
from sim.foundations.ports import Disturbance as Disturbance
from sim.foundations.ports import Effects as Effects
from sim.foundations.ports import Site as Site
from sim.foundations.ports import Clock as Clock
from sim.foundations.ports import WithDensity as WithDensity
from sim.foundations.ports import WithSlowTime as WithSlowTime
from sim.foundations.ports import WithBias as WithBias
from sim.foundations.ports import WithChanges as WithChanges
from sim.mechanics.profiles.profile import Profile as Profile
from sim.mechanics.profiles.profile import ProfileParams as ProfileParams
from sim.mechanics.profiles.profile import EventParams as EventParams
from sim.mechanics.profiles.profile import ProfileSite as ProfileSite
from sim.mechanics.profiles.profile import PlayedSpan as PlayedSpan
from sim.mechanics.profiles.profile import Expected as Expected
from sim.mechanics.profiles.profile import ToleranceBand as ToleranceBand
from sim.disturbances.played import played as played
from sim.foundations.ports import WorthAPicture as WorthAPicture
from sim.foundations.ports import RunEvent as RunEvent
from sim.foundations.ports import Event as Event
from sim.foundations.ports import EventSite as EventSite
from sim.foundations.ports import Faults as Faults
from sim.foundations.ports import BadRows as BadRows
from sim.foundations.ports import Lateness as Lateness
from sim.foundations.ports import WithSurroundings as WithSurroundings
from sim.foundations.ports import Watch as Watch
from sim.foundations.ports import Sight as Sight
from sim.foundations.ports import Findings as Findings
from sim.foundations.ports import FaultKind as FaultKind
from sim.foundations.ports import Knob as Knob
from sim.foundations.ports import Tunable as Tunable
from sim.foundations.ports import WithRules as WithRules
from sim.foundations.ports.linear_law import LinearLaw as LinearLaw
from sim.foundations.ports.linear_law import LawMatrices as LawMatrices
from controllers.by_law import ByLaw as ByLaw

# Shipped parts
from controllers import CONTROLLERS as CONTROLLERS
from controllers import SHAPERS as SHAPERS
from sim.estimators import ESTIMATORS as ESTIMATORS
from sim.disturbances import DISTURBANCES as DISTURBANCES
from sim.events import EVENTS as EVENTS
from sim.health import WATCHES as WATCHES
from sim.health.run_length import by_integral as _cusum_run_length
from sim.health.run_length import siegmund as _siegmund_run_length
from sim.health.run_length import ewma as _ewma_run_length
cusum_run_length = _cusum_run_length
siegmund_run_length = _siegmund_run_length
ewma_run_length = _ewma_run_length
from sim.estimators.centroid import thresholded_centroid as thresholded_centroid
from sim.estimators.centroid import weighted_centroid as weighted_centroid
from sim.estimators.components import components as components
from sim.estimators.fit import gaussian_fit as gaussian_fit
from sim.estimators.fit import poisson_fit as poisson_fit
from sim.estimators.peak import log_peak as log_peak
from sim.estimators.peak import matched_filter as matched_filter
from sim.estimators.quad_cell import quad_cell as quad_cell
from sim.estimators.bounds import position_bound_px as position_bound_px
from sim.estimators import firmware_cost as firmware_cost
from sim.estimators.spot_model import pixel_integrated as pixel_integrated
from sim.firmware.settings import EstimatorArithmetic as EstimatorArithmetic
from sim.firmware.settings import ControllerArithmetic as ControllerArithmetic
from sim.firmware.spots.estimator import FixedEstimator as FixedEstimator
from sim.firmware.controller import FixedController as FixedController
from sim.firmware.q_format import QFormat as QFormat

# Linear analysis and tuning rules
from controllers.analysis import LinearController as LinearController
from controllers.analysis import linearise as linearise
from controllers.analysis import Plant as Plant
from controllers.analysis import population_plant as population_plant
from sim.studies.margins.plant import plant_of as plant_of
from sim.studies.margins.plant import plant_belief as plant_belief
from controllers.analysis import Loop as Loop
from controllers.analysis import loop_gain as loop_gain
from controllers.analysis import frequency_grid as frequency_grid
from controllers.analysis import margins as margins
from controllers.analysis import Margins as Margins
from controllers.analysis import noise_gain as noise_gain
from controllers.analysis import controller_system as controller_system
from controllers.analysis import plant_system as plant_system
from controllers.analysis import loop_system as loop_system
from controllers.analysis import closed_systems as closed_systems
from controllers.analysis.circle_criterion import circle_criterion as circle_criterion
from controllers.analysis.describing_function import describing_function as describing_function
from controllers.analysis.nonlinearity import Nonlinearity as Nonlinearity
from controllers.analysis.nonlinearity import NotLinearError as NotLinearError
from controllers.analysis import ClosedSystems as ClosedSystems
from controllers.rules import half_rule as half_rule
from controllers.rules import simc as simc
from controllers.rules import simc_integrating as simc_integrating
from controllers.rules import simc_pure_delay as simc_pure_delay
from controllers.rules import ziegler_nichols as ziegler_nichols
from controllers.rules import per_frame as per_frame
from controllers.rules import effective_delay_s as effective_delay_s

# Optics and mechanics
from sim.optics.coupling import coupling_loss_db as coupling_loss_db
from sim.optics.coupling import gaussian_coupling as gaussian_coupling
from sim.optics.coupling import aligned_mode_loss_db as aligned_mode_loss_db
from sim.optics.losses import ellipse_transmission as ellipse_transmission
from sim.optics.losses import beam_radius_m as beam_radius_m
from sim.mechanics.shock_spectrum import shock_spectrum as shock_spectrum
