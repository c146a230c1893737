"""The scenario: what a run depends on, as people write it (TOML) and as it is checked."""

from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Any, NamedTuple

from pydantic import AfterValidator, Field

from sim.calibration.settings import CalibrationParams
from sim.camera.conditions import EstimatorComparisonParams
from sim.camera.lens import LensParams
from sim.camera.processor import ProcessorParams
from sim.camera.settings import CameraParams
from sim.camera.spot_guard import SpotGuardParams
from sim.foundations.params import Block, Positive, between
from sim.health.settings import HealthParams
from sim.life.params import LifeParams
from sim.mechanics.bracket import BracketParams
from sim.mechanics.isolator import IsolatorParams
from sim.mirror.drive import DriveParams
from sim.mirror.population import MirrorParams
from sim.optics.switch import SwitchParams
from sim.results.hold import MetricsParams
from sim.results.limits import LimitsParams
from sim.results.requirements import RequirementsParams
from sim.results.uncertainty import UncertaintyParams
from sim.scenario.check import check_block
from sim.scenario.file import override, read_tree

PlugInTable = dict[str, Any]
Members = Annotated[tuple[str, ...], Field(min_length=1, max_length=2048)]
Groups = Annotated[dict[str, Members], Field(min_length=1, max_length=2048)]
Seed = Annotated[int, Field(ge=0, lt=2**32)]


class TracesParams(Block):
    """How often the run is sampled.

    Valid up to the drive's update rate, beyond which nothing is known between its ticks.
    """

    sample_hz: Positive
    """Sampling rate of the traces; must divide the drive's update rate. Peaks, means and
    excursions between samples are kept, whatever the rate. [Hz]"""


def _one_or_even(samples: int) -> int:
    if samples > 1 and samples % 2:
        raise ValueError(f"must be 1 or an even number (got {samples})")
    return samples


ExposureSamples = Annotated[int, Field(ge=1, le=32), AfterValidator(_one_or_even)]


class EngineParams(Block):
    """How finely time is cut; for checking, not for taste.

    Valid where finer cuts change nothing that is judged: doubling either is the check.
    """

    substeps: Annotated[int, Field(ge=1, le=64)] = 1
    """Integration steps in a drive tick. [-]"""
    exposure_samples: ExposureSamples = 2
    """Positions over which a frame is averaged for motion during the exposure: one in the middle,
    or an even number at Gauss-Legendre points, two to each equal part. [-]"""


class Seeds(NamedTuple):
    """What names the random numbers of a run."""

    connections: int
    """Random connections."""
    population: int
    """The switch that was built."""
    noise: int
    """What happens to it."""


class Scenario(Block):
    """Everything a run depends on; the same scenario gives the same traces.

    Valid for runs that fit into the memory and time a run may take, which the user can raise,
    and ages up to 114 years (1e6 h).
    """

    title: str
    """One line. [-]"""
    question: str
    """The question that the run answers, where its input comes from and what to expect. [-]"""
    seed: Seed
    """Names the random connections, and all other random numbers of the run unless one of the next
    two takes its place. [-]"""
    population_seed: Seed | None = None
    """Names the switch that was built: mirrors and their ageing, connectors, fixed pattern of the
    sensor; `seed` if left out. [-]"""
    noise_seed: Seed | None = None
    """Names what happens to it: noise of pixels, readings and amplifier, disturbances; `seed` if
    left out. [-]"""
    age_h: Annotated[float, between(0.0, 1e6)] = 0.0
    """Age of the switch at the start of the run, from first power; every part that ages goes by
    it. [h]"""
    duration_ms: Positive
    """Length of the run. [ms]"""
    switch: SwitchParams
    mirror: MirrorParams
    drive: DriveParams
    camera: CameraParams
    estimator: PlugInTable
    """`kind`, then the settings of that estimator. "package.module:Name" and "file.py:Name" run
    outside code."""
    controller: PlugInTable
    """`kind`, then the settings of that controller. "package.module:Name" and "file.py:Name" run
    outside code."""
    shaping: PlugInTable
    """`kind`, then the settings of that command shaping."""
    disturbances: tuple[PlugInTable, ...] = ()
    """Each with its `kind` and settings."""
    boards: Groups | None = None
    """Driver boards: a name, and its mirrors as ["A00-A15", "B03"]; none: sixteen mirrors in a row
    share a board, "A-1" to "B-6" for 96 ports. [-]"""
    cameras: Groups | None = None
    """Cameras, and the mirrors whose spots each sees; none: "A" and "B", one for each array. Events
    go by them; where windows lie on a sensor does not. [-]"""
    events: Annotated[tuple[PlugInTable, ...], Field(max_length=1000)] = ()
    """Each with its `kind` and settings."""
    isolator: IsolatorParams | None = None
    """Mounts between base and optical core; none: the core moves with the base."""
    bracket: BracketParams | None = None
    """What holds the camera against the fibres; none: perfectly stiff."""
    lens: LensParams | None = None
    """What draws the spots on the sensors; none: square and straight."""
    calibration: CalibrationParams | None = None
    """How the switch is calibrated, and what the firmware believes since; none: it believes the
    camera as it is, and each drive within `drive.calibration_error_pct`."""
    spot_guard: SpotGuardParams | None = None
    """When readings are taken for those of another mirror; none: never."""
    processor: ProcessorParams | None = None
    """What reads the spots, to time the estimators; none: arithmetic is counted, not timed."""
    estimator_comparison: EstimatorComparisonParams = EstimatorComparisonParams()
    life: LifeParams | None = None
    """What years do to the switch; runs take no notice."""
    health: HealthParams | None = None
    """A watch over the mirrors that takes part in the loop; none: the loop is on its own."""
    traces: TracesParams
    metrics: MetricsParams
    limits: LimitsParams = LimitsParams()
    requirements: RequirementsParams = RequirementsParams()
    uncertainty: UncertaintyParams = UncertaintyParams()
    engine: EngineParams = EngineParams()

    @property
    def seeds(self) -> Seeds:
        """The seeds, each given or taken over from `seed`."""
        population, noise = self.population_seed, self.noise_seed
        return Seeds(
            self.seed,
            self.seed if population is None else population,
            self.seed if noise is None else noise,
        )


def load_scenario(path: str | Path, overrides: Sequence[str] = ()) -> Scenario:
    """Read, merge and check a scenario file.

    Parameters
    ----------
    path : str or Path
        A TOML file. Its `base`, a file beside it or the name of a shipped case, is read first;
        tables are merged key by key, lists and values replaced.
    overrides : sequence of str
        Each "key.key=value", the value in TOML; numbers reach into lists ("disturbances.0.peak_g").
        Another `kind` takes the place of the old one with all its settings.

    Returns
    -------
    Scenario
        Relative names of profiles and of files of code have become absolute.

    Raises
    ------
    ScenarioError
        With one line for each fault: file or option, key, rule, value, nearest known name.
    """
    path = Path(path)
    tree = read_tree(path)
    for text in overrides:
        override(tree, text)
    return check_block(Scenario, tree, str(path), overrides)
