"""Whether the mirrors can be turned to where the switch wants them."""

import numpy as np
from numpy.typing import NDArray

from sim.foundations.errors import ScenarioError
from sim.foundations.ports import Array
from sim.loop.reference import Command
from sim.scenario.model import Scenario


def check_reach(
    scenario: Scenario,
    mirrors: NDArray[np.int64],
    commands: tuple[Command, ...],
    drive_limit_rad: Array,
) -> None:
    """Refuse aims that a mirror cannot take, by travel or by drive."""
    travel = 1e-3 * np.array(scenario.mirror.travel_mrad)
    cubic = np.array(scenario.mirror.cubic_per_rad2)
    for command in commands:
        asked = command.target_rad * (1 + cubic * command.target_rad**2)
        for what, wanted, limit in (
            ("mirror.travel_mrad: target beyond the travel", command.target_rad, travel),
            ("drive.full_scale_mrad: target beyond the drive's end", asked, drive_limit_rad),
        ):
            over = np.abs(wanted) - limit
            m, axis = np.unravel_index(over.argmax(), over.shape)
            if over[m, axis] > 0:
                bound = np.broadcast_to(limit, wanted.shape)[m, axis]
                raise ScenarioError(
                    f"{what}: mirror {mirrors[m]} must turn {1e3 * wanted[m, axis]:.2f} mrad "
                    f"about {'xy'[axis]}, at most {1e3 * bound:.2f} mrad is possible"
                )
