"""One switch meets many noises, and one noise many switches."""

from pathlib import Path

import numpy as np
import pytest

from sim.assembly.build import build
from sim.scenario.model import load_scenario

CASE = Path(__file__).parents[2] / "scenarios" / "harrow_point_reconfigure.toml"
FEW = ("duration_ms=120", "switch.moves=[]", "metrics.hold_from_ms=100", "camera.prnu_pct=2",
       "camera.dsnu_e=2", "camera.hot_pixels_pct=0.1", "camera.hot_e=50",
       "mirror.alignment_urad=5", "disturbances.0.sigma_urad=20")  # fmt: skip


def parts_of(*overrides):
    return build(load_scenario(CASE, [*FEW, *overrides])).parts


def switch_of(parts):
    """What was built: mirrors, connectors and the fixed pattern of the pixels."""
    pattern = parts.measurement._pattern
    fixed = [np.asarray(a, float) for a in pattern if a is not None]
    return [parts.fleet.true_gain, parts.population.resonance_rad_s,
            parts.population.alignment_rad, parts.epochs[0].aligned_db, *fixed]  # fmt: skip


def noise_of(parts):
    """What happens: a disturbance, and the scatter of pixels on a plain, even sensor."""
    (drift,) = parts.disturbances
    _, effects = drift.advance(drift.initial_state(), 0, 20)
    return [effects.rest_rad, np.array([parts.seed, parts.measurement.seed])]


def same(one, other):
    return [bool(np.array_equal(a, b)) for a, b in zip(one, other, strict=True)]


@pytest.fixture(scope="module")
def plain():
    return parts_of()


def test_one_switch_meets_many_noises(plain):
    for seed in (1, 2):
        parts = parts_of(f"noise_seed={seed}")
        assert all(same(switch_of(plain), switch_of(parts)))
        assert not any(same(noise_of(plain), noise_of(parts)))
        assert np.array_equal(plain.epochs[0].outputs, parts.epochs[0].outputs)


def test_one_noise_meets_many_switches(plain):
    for seed in (1, 2):
        parts = parts_of(f"population_seed={seed}")
        assert not any(same(switch_of(plain), switch_of(parts)))
        assert all(same(noise_of(plain), noise_of(parts)))
        assert np.array_equal(plain.epochs[0].outputs, parts.epochs[0].outputs)


def test_seed_alone_names_the_connections_and_all_that_is_not_named_apart(plain):
    seed = load_scenario(CASE).seed
    parts = parts_of("seed=3", f"population_seed={seed}", f"noise_seed={seed}")
    assert not np.array_equal(plain.epochs[0].outputs, parts.epochs[0].outputs)
    # Every mirror is in use in either case, so the fleets are the same ones.
    assert same(switch_of(plain), switch_of(parts)).count(False) == 1  # losses of other pairs
    assert all(same(noise_of(plain), noise_of(parts)))
    all_three = parts_of(f"population_seed={seed}", f"noise_seed={seed}")
    assert all(same(switch_of(plain) + noise_of(plain), switch_of(all_three) + noise_of(all_three)))
