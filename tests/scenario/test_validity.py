"""Each block of settings says how far its model holds, and refuses what lies beyond."""

import typing

import pytest
from pydantic import BaseModel

from controllers import CONTROLLERS, SHAPERS
from sim.disturbances import DISTURBANCES
from sim.estimators import ESTIMATORS
from sim.scenario.model import Scenario
from sim.studies.compare.model import CompareParams


def within(annotation):
    """Yield the blocks that an annotation names."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for part in typing.get_args(annotation):
        yield from within(part)


def blocks():
    found, left = {}, [Scenario, CompareParams]
    for family in (CONTROLLERS, SHAPERS, ESTIMATORS, DISTURBANCES):
        left += [family[kind].Params for kind in family]
    while left:
        block = left.pop()
        if block.__name__ not in found:
            found[block.__name__] = block
            left += [b for field in block.model_fields.values() for b in within(field.annotation)]
    return found


BLOCKS = blocks()


def takes_numbers(block):
    names = {"number", "integer"}
    return any(
        kind in str(part)
        for part in block.model_json_schema().get("properties", {}).values()
        for kind in (f"'type': '{name}'" for name in names)
    )


def documented(block):
    return " ".join(doc for b in block.__mro__ if (doc := b.__dict__.get("__doc__")))


@pytest.mark.parametrize("name", sorted(BLOCKS))
def test_each_block_says_how_far_it_holds(name):
    block = BLOCKS[name]
    if takes_numbers(block):
        said = documented(block)
        assert "Valid " in said, f"{name} does not say what it is valid for"


def test_all_blocks_are_found():
    some = {"IsolatorParams", "LimitsParams", "NotchParams", "Tone", "ThermalParams"}
    assert some <= BLOCKS.keys()
    assert len(BLOCKS) > 50


@pytest.mark.parametrize(
    ("family", "settings"),
    [
        (CONTROLLERS, {"kind": "pi", "proportional": 0.1, "integral_per_frame": 11.0}),
        (CONTROLLERS, {"kind": "pi", "proportional": [0.1, 11.0], "integral_per_frame": 1.0}),
        (CONTROLLERS, {"kind": "smith", "response_ms": 1e7}),
        (SHAPERS, {"kind": "minimum_jerk", "duration_ms": 1e4}),
        (ESTIMATORS, {"kind": "thresholded_centroid", "min_flux_dn": 1.0, "edge_px": 1.0,
                      "threshold_dn": 70_000}),
        (ESTIMATORS, {"kind": "log_peak", "min_flux_dn": 1e10, "edge_px": 1.0}),
        (DISTURBANCES, {"kind": "charging", "amplitude_urad": 1.0, "tau_s": 1.0, "beta": 0.01}),
        (DISTURBANCES, {"kind": "drift", "sigma_urad": 1e6, "correlation_s": 1.0, "start": "zero"}),
        (DISTURBANCES, {"kind": "record", "file": "a", "units": "g", "time_column": "t",
                        "columns": ["x", "", ""], "start_at_ms": 0.0, "remove_mean": False,
                        "scale": 0.0}),
    ],
)  # fmt: skip
def test_beyond_its_range_a_setting_is_refused(family, settings):
    with pytest.raises(ValueError, match="at most|less than|greater than|must not be 0"):
        family[settings["kind"]].Params.model_validate(settings)
