"""The table of connections: kernel and plain form, levels of aiming, one truth with runs."""

from pathlib import Path

import numpy as np
import pytest

from sim.kernels.threads import on_threads
from sim.mirror.population import MirrorParams
from sim.optics.beams import edge_points
from sim.optics.links import light_of, links
from sim.optics.overlap import coupled
from sim.optics.rays import aim, trace
from sim.optics.switch import SwitchParams
from sim.scenario.model import load_scenario
from sim.studies.connections.aim import (
    PROBES_PER_ROUND,
    dead_reckoned,
    peaked,
    peaking_loss_db,
    table_errors,
)
from sim.studies.connections.calibration import calibrated_table
from sim.studies.connections.csv_table import write_columns
from sim.studies.connections.summary import spare_travel
from sim.studies.connections.table import CONTRIBUTORS, Maker, joined

CASE = Path(__file__).parents[3] / "scenarios" / "harrow_point_switch.toml"
SCENARIO = load_scenario(CASE)
SWITCH, MIRROR = SCENARIO.switch, SCENARIO.mirror


def with_aim(**changes) -> SwitchParams:
    return SWITCH.replace(aiming=SWITCH.aiming.replace(**changes).model_dump())


def maker(switch=SWITCH, mirror: MirrorParams = MIRROR, seed: int = 20) -> Maker:
    return Maker(switch, mirror, seed)


def some(n: int = 400):
    rng = np.random.default_rng(3)
    return rng.integers(0, 96, n), rng.integers(0, 96, n)


def test_the_kernel_is_its_plain_form():
    inputs, outputs = some()
    made = maker()
    change = 3e-5 * np.random.default_rng(0).normal(size=(400, 4))
    got = made.coupler.couple(inputs, outputs, change)
    built = made.built
    tilt_a, tilt_b = aim(built, inputs, outputs)
    rays = trace(built, inputs, outputs, tilt_a + change[:, :2].T, tilt_b + change[:, 2:].T)
    light = light_of(built, SWITCH.optics, inputs, outputs)
    want = coupled(rays, light)
    # The same sums, rounded in another order.
    for name in ("mode_db", "curvature_db", "pointing_db", "clipping_db"):
        np.testing.assert_allclose(getattr(got, name), getattr(want, name), atol=1e-10)
    np.testing.assert_allclose(got.band_db[:, 0], want.total_db, atol=1e-10)
    np.testing.assert_allclose(got.path_m, rays.path_m, rtol=1e-14)
    np.testing.assert_allclose(got.incidence_rad[:, 1], rays.on_b.incidence_rad, atol=1e-13)
    for number, nm in enumerate(made.wavelengths_nm):
        scale = nm / SWITCH.optics.data_wavelength_nm  # the fibre is held
        other = light._replace(
            wavelength_m=1e-9 * nm, waist_in_m=scale * light.waist_in_m,
            waist_out_m=scale * light.waist_out_m,
        )  # fmt: skip
        np.testing.assert_allclose(
            got.band_db[:, number], coupled(rays, other).total_db, atol=1e-10
        )


def test_tables_do_not_depend_on_blocks():
    made = maker()
    inputs, outputs = some(50)
    whole = made.table(inputs, outputs)
    parts = joined(
        [made.table(inputs[:20], outputs[:20]), made.table(inputs[20:], outputs[20:])], 50
    )
    np.testing.assert_array_equal(whole.insertion_db, parts.insertion_db)
    np.testing.assert_array_equal(whole.tilt_rad, parts.tilt_rad)


@pytest.mark.parametrize("count", [1, 2])
def test_the_whole_is_put_together_from_blocks(monkeypatch, count):
    changes = {"ports_per_side": 12, "columns": 4}
    small = SWITCH.replace(
        geometry=SWITCH.geometry.replace(**changes).model_dump(),
        budget=SWITCH.budget.replace(ports_in_service=10).model_dump(),
    )
    made = maker(small)
    inputs, outputs = np.divmod(np.arange(144), 12)
    want, jacobian = made.table(inputs, outputs), made.jacobian(inputs, outputs)
    monkeypatch.setattr("sim.studies.connections.table.BLOCK", 50)
    told = []
    with on_threads(count):
        got = made.whole(lambda done, of: told.append((done, of)))
        np.testing.assert_array_equal(made.jacobians(got), jacobian)
    assert told == [(50, 144), (100, 144), (144, 144)]
    for name, field in want._asdict().items():
        np.testing.assert_array_equal(getattr(got, name), field, err_msg=name)
    with pytest.raises(ValueError, match="must be 200, got 144"):
        joined([want], 200)


def test_contributors_add_to_the_whole():
    made = maker()
    inputs, outputs = some(200)
    table = made.table(inputs, outputs)
    assert table.losses_db.shape[0] == len(CONTRIBUTORS)
    np.testing.assert_allclose(table.insertion_db, table.band_db[:, 0], atol=1e-12)


def test_a_switch_without_sections_has_the_losses_of_a_run():
    bare = SWITCH.replace(build=None, band=None, aiming=None, budget=None)
    inputs, outputs = some(100)
    table = maker(bare).table(inputs, outputs)
    found = links(bare, 20, inputs, outputs)
    np.testing.assert_allclose(table.insertion_db, found.losses.aligned_db, rtol=1e-14)


def test_runs_and_tables_agree_on_a_switch_as_built():
    plain = SWITCH.replace(band=None, aiming=None)
    inputs, outputs = some(100)
    table = maker(plain).table(inputs, outputs)
    found = links(plain, 20, inputs, outputs)
    np.testing.assert_allclose(table.insertion_db, found.losses.aligned_db, atol=1e-10)


def test_table_errors_are_shared_by_a_mirror_and_have_their_spread():
    inputs, outputs = np.divmod(np.arange(9216), 96)
    one = table_errors(SWITCH.aiming.replace(connection_error_urad=0.0), 5, inputs, outputs)
    by_input = one.reshape(96, 96, 4)
    assert np.ptp(by_input[:, :, :2], axis=1).max() == 0.0
    assert np.ptp(by_input[:, :, 2:], axis=0).max() == 0.0
    both = table_errors(SWITCH.aiming, 5, inputs, outputs)
    spread = np.hypot(SWITCH.aiming.mirror_error_urad, SWITCH.aiming.connection_error_urad)
    # 96 mirrors decide: their variance is known to sqrt(2/192); cutting at 3 sd takes 1.3 %.
    assert 1e6 * both.std() == pytest.approx(spread, rel=0.06)


def test_dead_reckoning_without_errors_of_build_or_gain_is_exact():
    bare = with_aim(level="dead_reckoning").replace(build=None)
    inputs, outputs = some(80)
    table = maker(bare, MIRROR.replace(gain_spread_pct=0.0)).table(inputs, outputs)
    assert np.abs(table.error_rad).max() < 1e-12
    tilts = dead_reckoned(bare, 0.02, 3, inputs, outputs, np.ones((80, 4)))
    assert 0.01 < tilts.std() < 0.03


def test_levels_of_aiming_are_in_order():
    inputs, outputs = some(300)
    means = [
        maker(with_aim(level=level)).table(inputs, outputs).insertion_db.mean()
        for level in ("peaked", "calibrated", "dead_reckoning")
    ]
    assert means[0] < means[1] < means[2]


def test_peaking_reaches_what_its_noise_allows():
    """On a nearly quadratic surface the noise of eight readings leaves s^2 / (2 p)."""
    inputs, outputs = some(400)
    wide = SWITCH.replace(
        build=None, optics=SWITCH.optics.replace(mirror_radius_um=745.0).model_dump()
    )
    aiming = SWITCH.aiming.replace(meter_noise_db=0.05, rounds=3)
    made = maker(wide)
    start = 6e-5 * np.random.default_rng(4).normal(size=(400, 4))
    found = peaked(made.coupler, wide, aiming, 11, inputs, outputs, start)
    lost = made.coupler.couple(inputs, outputs, found).pointing_db
    # Sum of four squares of normals: standard deviation mean/sqrt(2); 4 sigma over 400.
    mean = peaking_loss_db(aiming)
    assert mean == pytest.approx(0.05**2 / 0.6)
    assert lost.mean() == pytest.approx(mean, abs=4 * mean / np.sqrt(2 * 400) + 0.02 * mean)
    assert PROBES_PER_ROUND * aiming.rounds == 24


def test_peaking_without_noise_finds_the_best_tilts():
    """Against a simplex search (scipy) on the same received power."""
    from scipy.optimize import minimize

    inputs, outputs = some(3)
    made = maker()
    aiming = SWITCH.aiming.replace(meter_noise_db=0.0, rounds=4)
    start = table_errors(SWITCH.aiming, 20, inputs, outputs)
    found = peaked(made.coupler, SWITCH, aiming, 20, inputs, outputs, start)
    for c in range(3):
        one = (inputs[c : c + 1], outputs[c : c + 1])

        def power(x, one=one):
            return made.coupler.couple(*one, 1e-6 * x[None]).band_db[0, 0]

        best = minimize(power, np.zeros(4), method="Nelder-Mead",
                        options={"xatol": 1e-3, "fatol": 1e-10, "maxiter": 2000})  # fmt: skip
        # What is left of the design's form against the built one: ten microdecibels.
        assert power(1e6 * found[c]) - best.fun < 2e-4


def test_a_few_connections_a_port_represent_all():
    made = maker()
    few, more = calibrated_table(made, 4, 0.0), calibrated_table(made, 12, 0.0)
    assert few.measured <= 4 * 96
    # Second-order terms are left: mrad of build times tilts of 60 mrad.
    assert more.error_rms_urad < few.error_rms_urad < 15.0
    perfect = maker(SWITCH.replace(build=None), MIRROR.replace(gain_spread_pct=0.0))
    assert calibrated_table(perfect, 4, 0.0).error_rms_urad < 1e-3


def test_travel_that_is_exceeded_is_counted_as_negative():
    made = maker()
    inputs, outputs = np.array([0, 40]), np.array([95, 40])
    table = made.table(inputs, outputs)
    spare = spare_travel(table, (50.0, 75.0))
    assert spare[0] < 0.0 < spare[1]
    assert spare[0] == pytest.approx(1 - np.abs(table.tilt_rad[0, [0, 2]]).max() / 0.05)


def test_columns_as_text(tmp_path):
    rng = np.random.default_rng(1)
    values = np.concatenate(
        [[0.0, -1e-6, 0.5, -0.5, 10.0, -123.4564999, 1e5, 0.99996],
         rng.normal(size=1000) * 10.0 ** rng.integers(-5, 4, 1000)]
    )  # fmt: skip
    write_columns(tmp_path / "x.csv", {"n": (np.arange(1008), 0), "v": (values, 4)})
    lines = (tmp_path / "x.csv").read_text().splitlines()
    assert lines[:4] == ["n,v", "0,0.0000", "1,0.0000", "2,0.5000"]
    read = np.loadtxt(tmp_path / "x.csv", delimiter=",", skiprows=1)
    np.testing.assert_array_equal(read[:, 1], np.round(values, 4))
    with pytest.raises(ValueError, match="finite"):
        write_columns(tmp_path / "y.csv", {"v": (np.array([np.nan]), 4)})


def test_beams_that_miss_by_far_have_enough_points_on_the_edges():
    """Twice as many again change nothing: a rule that converges faster than any power has done so.

    With the number that does for aimed beams, losses of some 50 dB are out by decibels.
    """
    scenario = load_scenario(CASE, ["switch.aiming.level=dead_reckoning"])
    made = Maker(scenario.switch, scenario.mirror, 20)
    inputs, outputs = np.divmod(np.arange(0, 9216, 9), 96)
    change = made.aimed(inputs, outputs).change_rad
    got = made.coupler.couple(inputs, outputs, change, from_rest=True).band_db
    coarse = edge_points(made.geometry.incidence_rad)
    made.coupler._edge = made.coupler._fine_edge = edge_points(made.geometry.incidence_rad, 8)
    many = made.coupler.couple(inputs, outputs, change, from_rest=True).band_db
    np.testing.assert_allclose(got, many, atol=1e-4)
    made.coupler._edge = made.coupler._fine_edge = coarse
    few = made.coupler.couple(inputs, outputs, change, from_rest=True).band_db
    assert many.max() > 50.0 and np.abs(few - many).max() > 1.0
