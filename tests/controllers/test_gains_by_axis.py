"""Gains of each axis: every axis is the controller that has its gains alone."""

from typing import Any

import numpy as np
import pytest

from controllers import CONTROLLERS
from sim.foundations.ports import PlantBelief

BELIEF = PlantBelief(1e-3, 3e-4, 1e-3, 5e-5, (4400.0, 4800.0), (8.0, 8.0), 4e-5, 0.07)


@pytest.mark.parametrize(
    ("kind", "gains"),
    [
        ("integrator", {"integral_per_frame": (0.1, 0.2)}),
        ("pi", {"integral_per_frame": (0.1, 0.2), "proportional": (0.1, 0.0)}),
        ("pid", {"integral_per_frame": (0.1, 0.2), "proportional": 0.1,
                 "derivative_frames": (0.3, 0.1), "derivative_filter_frames": 1.0}),
    ],
)  # fmt: skip
def test_each_axis_has_the_law_of_its_own_gains(kind: str, gains: dict[str, Any]) -> None:
    part = CONTROLLERS[kind]
    both = part(part.Params(**gains), BELIEF).linear_law()
    for axis in (0, 1):
        own = {k: v[axis] if isinstance(v, tuple) else v for k, v in gains.items()}
        alone = part(part.Params(**own), BELIEF).linear_law()
        for name in both.seen._fields:
            np.testing.assert_array_equal(
                getattr(both.seen, name)[0, axis], getattr(alone.seen, name)[0, axis]
            )
