"""The reference of the scenario file names every key and is not stale."""

from pathlib import Path

import pytest

from controllers import CONTROLLERS, SHAPERS
from sim.assembly.reference_page import REFERENCE, scenario_reference
from sim.disturbances import DISTURBANCES
from sim.estimators import ESTIMATORS
from sim.scenario.model import Scenario

PAGE = Path(__file__).parents[2] / "docs" / "scenarios.md"


def test_the_page_is_not_stale():
    page = PAGE.read_text(encoding="utf-8")
    current = REFERENCE.renewed(page)
    assert page == current, "run: python -m sim.assembly.reference_page docs/scenarios.md"


def test_a_stale_page_is_renewed_and_its_head_kept():
    page = PAGE.read_text(encoding="utf-8")
    changed = page.replace("| `exposure_us` |", "| `exposure_ms` |")
    assert changed != page
    assert REFERENCE.renewed(changed) == page


def test_a_page_without_marker_is_refused():
    with pytest.raises(ValueError, match="must hold the line"):
        REFERENCE.renewed("# Scenarios\n")


@pytest.mark.parametrize("family", [ESTIMATORS, CONTROLLERS, SHAPERS, DISTURBANCES])
def test_every_plug_in_and_each_of_its_keys_is_there(family):
    reference = scenario_reference()
    for kind, part in family.items():
        _, found, section = reference.partition(f', kind = "{kind}"\n')
        assert found, kind
        table = section.partition("### ")[0]
        for key in part.Params.model_fields:
            assert f"| `{key}` |" in table, (kind, key)


def blocks_of(model):
    """Yield every block below a block, found through the annotations, not the schema."""
    for field in model.model_fields.values():
        waiting = [field.annotation]
        while waiting:
            kind = waiting.pop()
            waiting += getattr(kind, "__args__", ())
            if hasattr(kind, "model_fields"):
                yield kind
                yield from blocks_of(kind)


def test_every_key_of_every_section_is_there():
    reference = scenario_reference()
    found = list(blocks_of(Scenario))
    assert len(found) > 10
    for block in [Scenario, *found]:
        for key in block.model_fields:
            assert f"| `{key}` |" in reference, (block, key)


def test_required_bounds_and_defaults_are_reported():
    reference = scenario_reference()
    assert "| `seed` | whole number >= 0 and < 4294967296 | required |" in reference
    assert '| `noise` | "fast", "exact", "equivalent", "none" | "fast" |' in reference
    assert "| `hold_to_ms` | number > 0 | none |" in reference
