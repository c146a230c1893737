"""A switch of eight ports whose life is short to simulate."""

import pytest

from sim.scenario.gallery import find
from sim.scenario.model import load_scenario

SMALL = (
    "switch.geometry.ports_per_side=8", "switch.geometry.columns=4",
    "switch.budget.ports_in_service=7",
    "boards={a=['A00-A03'],b=['A04-A07'],c=['B00-B03'],d=['B04-B07']}",
)  # fmt: skip


@pytest.fixture(scope="session")
def small():
    def make(*overrides):
        return load_scenario(find("harrow_point_life"), [*SMALL, *overrides])

    return make
