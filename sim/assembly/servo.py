"""What closes the loop: camera and estimator, controller, codes of the drive, lens and guard."""

from types import ModuleType
from typing import Any, NamedTuple

from sim.assembly.calibrated import guard_of, lenses_of
from sim.assembly.calibrated_words import guard_for, lens_for
from sim.assembly.camera import measurement_of
from sim.assembly.firmware import coded_drive_of, controller_of
from sim.assembly.named import NamedParts
from sim.assembly.plant import SwitchPlant
from sim.calibration.results import Beliefs
from sim.camera.lens import Lens, SeesTilts
from sim.camera.measurement import Measurement
from sim.camera.sensor import Layout
from sim.camera.spot_guard import DoubtsReadings
from sim.firmware.codes import CodedDrive
from sim.foundations.ports import Controller, PlantBelief
from sim.scenario.model import Scenario


class Servo(NamedTuple):
    """From the spots on the sensors to the drive."""

    measurement: Measurement
    controller: Controller[Any]
    coded: CodedDrive | None
    """Codes of the drive in whole numbers; None in floating point."""
    lens: Lens | None
    """How the sensors see tilts; None if they see them as they are."""
    believed_lens: SeesTilts | None
    """How the firmware believes that they do, in its own words."""
    guard: DoubtsReadings | None
    """Against other mirrors' spots; None without one."""


def servo_of(
    scenario: Scenario, named: NamedParts, plant: SwitchPlant, belief: PlantBelief, layout: Layout,
    beliefs: Beliefs | None, kernels: ModuleType,
) -> Servo:  # fmt: skip
    """Return what measures and corrects, as the firmware of a scenario does it.

    Parameters
    ----------
    scenario : Scenario
        As read.
    named : NamedParts
        Its plug-ins.
    plant : SwitchPlant
        What they act on.
    belief : PlantBelief
        What the controller is designed for.
    layout : Layout
        Of the sensors.
    beliefs : Beliefs or None
        What the firmware goes by after a calibration.
    kernels : module
        That make the images.

    Raises
    ------
    ScenarioError
        If parts do not fit together.
    """
    camera, mirrors = scenario.camera, plant.mirrors
    lens, believed_lens = lenses_of(scenario, layout, mirrors, beliefs)
    controller = controller_of(
        named.controller, belief, scale_px_per_rad=1e3 * camera.scale_px_per_mrad,
        drive_limit_rad=plant.drive_limit_rad, estimator=named.estimator, mirrors=mirrors,
        through_lens=believed_lens is not None,
    )  # fmt: skip
    coded = coded_drive_of(controller, plant.believed_gain, plant.drive)
    measurement = measurement_of(
        camera, mirrors, scenario.seeds, named.estimator, kernels, layout, beliefs
    )
    words_lens = lens_for(controller, believed_lens, layout, mirrors)
    guard = guard_for(controller, guard_of(scenario, mirrors, beliefs), measurement)
    return Servo(measurement, controller, coded, lens, words_lens, guard)
