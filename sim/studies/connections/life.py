"""What the years do to one switch: a draw of its ageing, its shifts and its mated connectors."""

from typing import NamedTuple

import numpy as np

from sim.foundations.ports import Array
from sim.foundations.rng import Stream, cut_normals, uniforms
from sim.optics.budgets import BudgetParams
from sim.optics.losses import drawn_connector_db
from sim.optics.params import OpticsParams
from sim.studies.connections.coupler import Ports

CONNECTOR, MIRROR, PORT, SHIFT, WARMING = 0, 1, 2, 3, 4


class EndOfLife(NamedTuple):
    """The end of one life, or of several (...), port by port: inputs, then outputs."""

    connector_db: tuple[Array | None, Array | None]
    """(..., N) loss of the connectors as they are then; None: as when new. [dB]"""
    gained_db: tuple[Array, Array]
    """(..., N) what mirror, collimator and combiner have gained. [dB]"""
    shift_rad: tuple[Array, Array]
    """(..., N, 2) shift of each mirror's beam that no camera saw, as tilt. [rad]"""


def draw_life(
    budget: BudgetParams, optics: OpticsParams, seed: int, ports: tuple[int, int],
    life: int | Ports = 0,
) -> EndOfLife:  # fmt: skip
    """Draw the end of a life, or of several.

    Parameters
    ----------
    budget, optics
        What ages, and by how much; the connectors' distribution.
    seed : int
        Of the population.
    ports : (int, int)
        On each side.
    life : int, or (...) ndarray of int
        Number of the life; another one is another fate of the same switch.
    """
    key, one = (seed, Stream.LIFE), np.asarray(life)[..., None]
    connectors: list[Array | None] = []
    gained, shifts = [], []
    for side, count in enumerate(ports):
        number = np.arange(count)
        connectors.append(
            drawn_connector_db(uniforms(key, number, side, one)[..., 0], optics) + budget.wear_db
            if budget.connectors_remated
            else None
        )
        drawn = cut_normals(key, number, 2 * MIRROR + side, one)[..., 0]
        mirror = budget.mirror_ageing_db + budget.mirror_ageing_sd_db * drawn
        drawn = cut_normals(key, number, 2 * PORT + side, one)[..., 0]
        port = budget.port_ageing_db + budget.port_ageing_sd_db * drawn
        gained.append(np.maximum(mirror, 0.0) + np.maximum(port, 0.0))
        warming = cut_normals(key, np.zeros(1, np.int64), 2 * WARMING, one)[..., :1]
        common = budget.warming_urad_per_k * budget.warming_k * warming * (1.0 - 2.0 * side)
        own = budget.shift_urad * cut_normals(key, number, 2 * SHIFT + side, one)
        shifts.append(1e-6 * (own + common))
    return EndOfLife(
        (connectors[0], connectors[1]), (gained[0], gained[1]), (shifts[0], shifts[1])
    )
