"""What the data light does to the mirrors that carry it, before anything moves."""

from collections.abc import Sequence
from typing import Protocol, runtime_checkable

import numpy as np
from numpy.typing import NDArray
from pydantic import ValidationError

from sim.assembly.plug_ins import PlugIn
from sim.foundations.errors import ScenarioError
from sim.foundations.params import Block
from sim.foundations.ports import Beams
from sim.optics.build_errors import BuildParams
from sim.optics.epochs import Epoch
from sim.optics.links import links
from sim.optics.switch import SwitchParams


@runtime_checkable
class WarmsMirrors(Protocol):
    """A disturbance class whose settings say how steady light bends the mirrors."""

    def warm_curvature_per_m(self, params: Block) -> float:
        """Return the change of every mirror's curvature; a static method of the class. [1/m]"""
        ...


def warm_switch(switch: SwitchParams, disturbances: Sequence[PlugIn]) -> SwitchParams:
    """Return the switch with its mirrors as warm as steady light makes them.

    Curvature is that of light that stays: it follows within milliseconds, and a dark mirror loses
    nothing.

    Raises
    ------
    ScenarioError
        If the mirrors bend further than a mirror of the switch may be bent.
    """
    curvature = sum(
        plug_in.part.warm_curvature_per_m(plug_in.settings)
        for plug_in in disturbances
        if isinstance(plug_in.part, WarmsMirrors) and plug_in.settings is not None
    )
    if curvature == 0.0:
        return switch
    build = BuildParams() if switch.build is None else switch.build
    whole = build.mirror_curvature_per_m + curvature
    try:
        bent = build.replace(mirror_curvature_per_m=whole)
    except ValidationError as exc:
        raise ScenarioError(
            f"disturbances: steady light bends the mirrors by {curvature:.4g} 1/m, to {whole:.4g} "
            f"1/m in all: {exc.errors()[0]['msg']} (switch.build.mirror_curvature_per_m)"
        ) from exc
    return switch.replace(build=bent)


def while_warming(
    cold: SwitchParams, warm: SwitchParams, inputs: NDArray[np.int64], epochs: Sequence[Epoch],
    seed: int,
) -> tuple[str, ...]:  # fmt: skip
    """Return what is to be said of losses while mirrors warm that a move has brought light to.

    Losses are those of warm mirrors; until then a connection loses what cold ones make it lose.

    Parameters
    ----------
    cold, warm : SwitchParams
        The switch, and what `warm_switch` made of it.
    inputs : (C,) ndarray of int
        Connected input ports.
    epochs : sequence of Epoch
        Of the warm switch, as built.
    seed : int
        Of the population.
    """
    commanded = [epoch for epoch in epochs if epoch.commanded]
    if cold is warm or not commanded:
        return ()
    more_db = np.concatenate([
        links(cold, seed, inputs, epoch.outputs).losses.aligned_db - epoch.aligned_db
        for epoch in commanded
    ])  # fmt: skip
    return (
        "Losses are those of mirrors that the light has warmed. After a move, until they are warm, "
        f"connections lose between {more_db.min():+.3f} and {more_db.max():+.3f} dB beside that, "
        "by their curvature.",
    )


def carrying_light(epochs: Sequence[Epoch], mirrors: int, inputs: int) -> Beams:
    """Return which of a fleet's mirrors carry light; the first columns are those of inputs."""
    on = np.zeros((len(epochs), mirrors), bool)
    for row, epoch in zip(on, epochs, strict=True):
        row[epoch.pairs] = True
    moved = np.stack([epoch.moved for epoch in epochs])
    moved[:, :inputs] = False
    return Beams(np.array([epoch.start_s for epoch in epochs]), on, on & moved)
