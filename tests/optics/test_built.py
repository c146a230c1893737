"""A switch as built: rays by independent vectors, draws, lattices, and one truth for losses."""

import numpy as np
import pytest
from pydantic import ValidationError
from scipy.spatial.transform import Rotation
from scipy.stats import kstest

from sim.foundations.errors import ScenarioError
from sim.foundations.ports import Clock
from sim.optics.build_errors import build_switch
from sim.optics.epochs import connected_epochs
from sim.optics.geometry import SwitchGeometry, connect
from sim.optics.lattice import lattice_places
from sim.optics.links import light_of, links, receiver_jacobian
from sim.optics.overlap import coupled
from sim.optics.params import GeometryParams, OpticsParams
from sim.optics.rays import aim, trace
from sim.optics.switch import SwitchParams

GEOMETRY = {
    "ports_per_side": 96, "columns": 12, "pitch_mm": 1.5, "spacing_mm": 130.0,
    "collimator_in_mm": 40.0, "collimator_out_mm": 40.0, "incidence_deg": 20.0,
}  # fmt: skip
OPTICS = {
    "data_wavelength_nm": 1310.0, "waist_um": 200.0,
    "receiving_waist_um": 200.0, "mirror_radius_um": 450.0, "mirror_reflectivity": 0.98,
    "combiner_loss_db": 0.1, "collimator_loss_db": 0.1, "connector_mean_db": 0.08,
    "connector_sd_db": 0.03,
}  # fmt: skip
ROUGH = {
    "array_position_um": 60.0, "array_rotation_urad": 800.0, "chip_bow_per_m": 0.05,
    "collimator_pointing_urad": 400.0, "collimator_lateral_um": 25.0, "waist_spread_pct": 2.0,
    "mirror_curvature_per_m": 0.3, "mirror_curvature_spread_per_m": 0.4,
    "reflectivity_spread": 0.004,
}  # fmt: skip


def switch(build=None, **geometry) -> SwitchParams:
    return SwitchParams(
        geometry=GeometryParams(**{**GEOMETRY, **geometry}), optics=OpticsParams(**OPTICS),
        connections="identity", build=build,
    )  # fmt: skip


def built_of(params: SwitchParams, seed: int = 3):
    geometry = SwitchGeometry.from_params(params.geometry)
    return build_switch(geometry, params.optics, params.build, seed)


def some(n: int, ports: int = 96, seed: int = 2):
    rng = np.random.default_rng(seed)
    return rng.integers(0, ports, n), rng.integers(0, ports, n)


def sphere_hit(point, way, centre, normal, bend):
    """Meet a sphere (or a plane) exactly; return the hit and its unit normal."""
    if bend == 0.0:
        return point + way * np.dot(centre - point, normal) / np.dot(way, normal), normal
    middle = centre + normal / bend
    off = point - middle
    b, c = np.dot(off, way), np.dot(off, off) - 1.0 / bend**2
    ends = [-b - np.sqrt(b * b - c), -b + np.sqrt(b * b - c)]
    hits = [point + t * way for t in ends]
    hit = min(hits, key=lambda h: np.linalg.norm(h - centre))
    outward = (middle - hit) * bend
    return hit, outward / np.linalg.norm(outward)


def test_aimed_rays_reach_the_output_axis_through_true_spheres():
    """The ray is traced here with spheres; the package has planes with turned normals."""
    built = built_of(switch(ROUGH))
    inputs, outputs = some(60)
    tilt_a, tilt_b = aim(built, inputs, outputs)
    for c, (i, j) in enumerate(zip(inputs, outputs, strict=True)):
        point, way = built.source.point_m[:, i], built.source.way[:, i]
        for array, port, tilt in ((built.a, i, tilt_a[:, c]), (built.b, j, tilt_b[:, c])):
            e_x, e_y, n = (v[:, port] for v in (array.grid_x, array.grid_y, array.normal))
            sense_x = np.sign(np.dot(np.cross(e_y, n), e_x))
            sense_y = np.sign(np.dot(np.cross(e_x, n), e_y))
            inner = Rotation.from_rotvec(sense_y * tilt[1] * e_x)
            outer = Rotation.from_rotvec(sense_x * tilt[0] * e_y)
            normal = (outer * inner).apply(n)
            bend = array.curvature_per_m[port]
            point, local = sphere_hit(point, way, array.centre_m[:, port], normal, bend)
            way = way - 2 * np.dot(way, local) * local
        end, axis = built.sink.point_m[:, j], built.sink.way[:, j]
        miss = end + axis * np.dot(point - end, axis) - point
        # The sag that the package leaves out: 1/2 * 1.5 / m * (0.15 mm)^2 = 17 nm at the most.
        assert np.linalg.norm(miss) < 2e-8
        assert np.linalg.norm(way - axis) < 1e-7


def test_traced_rays_see_tilt_errors_as_exact_reflection_says():
    built = built_of(switch())
    inputs, outputs = some(30)
    solved = connect(SwitchGeometry.from_params(switch().geometry), inputs, outputs)
    error = 1e-6 * np.random.default_rng(1).normal(size=(30, 4))
    rays = trace(
        built, inputs, outputs, (solved.tilt_a_rad + error[:, :2]).T,
        (solved.tilt_b_rad + error[:, 2:]).T,
    )  # fmt: skip
    moved = np.einsum("cij,cj->ci", solved.jacobian, error)
    # The mode against the ray at mirror B; the Jacobian gives the ray at the collimator.
    tilt = -rays.mode_rad.T
    offset = -rays.mode_m.T - rays.to_sink_m[:, None] * rays.mode_rad.T
    # Lengths alone: carried axes are turned against the receiver's.
    np.testing.assert_allclose(
        np.linalg.norm(tilt, axis=1), np.linalg.norm(moved[:, 2:], axis=1), rtol=1e-4
    )
    np.testing.assert_allclose(
        np.linalg.norm(offset, axis=1), np.linalg.norm(moved[:, :2], axis=1), rtol=2e-4
    )


def test_a_perfect_switch_as_built_is_the_design():
    inputs, outputs = np.divmod(np.arange(0, 9216, 31), 96)
    design, drawn = links(switch(), 4, inputs, outputs), links(switch({}), 4, inputs, outputs)
    for name in ("tilt_a_rad", "tilt_b_rad", "path_m", "incidence_a_rad", "incidence_b_rad"):
        a, b = getattr(design.connections, name), getattr(drawn.connections, name)
        np.testing.assert_allclose(a, b, atol=1e-14)
    for name in ("reflectivity_db", "connectors_db", "mode_db", "curvature_db", "combiners_db"):
        a, b = getattr(design.losses, name), getattr(drawn.losses, name)
        np.testing.assert_allclose(a, b, atol=1e-12)
    # Edges: the design takes the beam's radius at the mirror, the integral that of beam and mode,
    # which differ where a path is longer than the nominal one.
    clipping = np.abs(design.losses.clipping_db - drawn.losses.clipping_db)
    assert clipping.max() < 1e-3 and np.median(clipping) < 4e-4
    # Two routes to the form: analytic Jacobian with the closed form; rays and complex Gaussians.
    scale = np.abs(design.form_db).max()
    np.testing.assert_allclose(design.form_db, drawn.form_db, atol=1e-8 * scale)


def test_the_form_of_a_built_switch_is_the_loss_of_its_rays():
    params = switch(ROUGH)
    inputs, outputs = some(40)
    found, built = links(params, 3, inputs, outputs), built_of(params)
    light = light_of(built, params.optics, inputs, outputs)
    error = 1e-4 * np.random.default_rng(5).normal(size=(40, 4))
    rays = trace(
        built, inputs, outputs, (found.connections.tilt_a_rad + error[:, :2]).T,
        (found.connections.tilt_b_rad + error[:, 2:]).T,
    )  # fmt: skip
    pointing = coupled(rays, light, edges=False).pointing_db
    form = np.einsum("ci,cij,cj->c", error, found.form_db, error)
    # The form is exact for the Gaussians and linear in the rays: 0.1 mrad of 60 mrad and more.
    np.testing.assert_allclose(form, pointing, rtol=3e-3)


def test_draws_follow_their_stated_distributions_and_name_their_ports():
    many = switch({**ROUGH, "mirror_curvature_per_m": 0.2}, ports_per_side=4096, columns=64,
                  pitch_mm=0.95)  # fmt: skip
    built = built_of(many, seed=9)
    bend = (built.a.curvature_per_m - 0.2) / 0.4
    assert kstest(bend, "norm").pvalue > 1e-3
    assert np.abs(bend).max() <= 3.0 + 1e-12
    few = built_of(switch({**ROUGH, "mirror_curvature_per_m": 0.2}), seed=9)
    np.testing.assert_array_equal(few.a.curvature_per_m, built.a.curvature_per_m[:96])
    assert not np.array_equal(few.a.curvature_per_m, few.b.curvature_per_m)
    other = built_of(switch(ROUGH), seed=10)
    assert not np.array_equal(other.source.way, few.source.way)
    assert np.all(built.a.reflectivity <= 1.0)


def test_waists_spread_in_proportion():
    """A waist is its mean times 1 + spread times the draw: twice the spread, twice as far off."""
    off = [
        built_of(switch({"waist_spread_pct": pct})).source.waist_m / 200e-6 - 1.0
        for pct in (2.0, 4.0)
    ]
    np.testing.assert_allclose(off[1], 2.0 * off[0], rtol=1e-9, atol=1e-15)
    assert kstest(off[0] / 0.02, "norm").pvalue > 1e-3


def test_bow_turns_mirrors_as_the_slope_of_the_chip():
    built = built_of(switch({"chip_bow_per_m": 0.1}), seed=3)
    flat = built_of(switch())
    for array, rest in ((built.a, flat.a), (built.b, flat.b)):
        turned = np.sum(array.normal * rest.normal, axis=0)
        middle = rest.centre_m.mean(axis=1, keepdims=True)
        reach = np.linalg.norm(rest.centre_m - middle, axis=0)
        lift = np.sum((array.centre_m - rest.centre_m) * rest.normal, axis=0)
        # A paraboloid: slope = 2 lift / distance from the middle.
        np.testing.assert_allclose(np.arccos(np.minimum(turned, 1)), 2 * np.abs(lift) / reach,
                                   rtol=1e-3)  # fmt: skip
        axes = np.stack([array.grid_x, array.grid_y, array.normal])
        gram = np.einsum("aip,bip->pab", axes, axes)
        np.testing.assert_allclose(gram, np.broadcast_to(np.eye(3), gram.shape), atol=1e-12)


def test_run_and_table_share_one_truth():
    params = switch(ROUGH)
    _, inputs, epochs, _ = connected_epochs(
        params, Clock(1e-4, 10, 10), seed=1, population_seed=77
    )
    again = links(params, 77, inputs, epochs[0].outputs)
    np.testing.assert_array_equal(epochs[0].aligned_db, again.losses.aligned_db)
    np.testing.assert_array_equal(epochs[0].form_db, again.form_db)


# Full rings of a hexagon hold 1 + 3 n (n + 1) places, and 91/241/367 (square: 81/197/317) places
# lie within 5/8/10 pitches of one: counted by formula and by hand-made loops.
@pytest.mark.parametrize("rings", [1, 2, 3, 4, 5, 6])
def test_round_hexagonal_arrays_are_full_rings(rings):
    count = 1 + 3 * rings * (rings + 1)
    found = lattice_places(count, 1, "hexagonal", "round")
    assert np.hypot(*found.T).max() == pytest.approx(rings)
    near = np.hypot(*(found[:, None] - found[None]).transpose(2, 0, 1))
    assert np.min(near[near > 0]) == pytest.approx(1.0)


@pytest.mark.parametrize(
    "lattice, counts", [("hexagonal", (91, 241, 367)), ("square", (81, 197, 317))]
)
def test_places_within_a_radius(lattice, counts):
    for count, radius in zip(counts, (5.0, 8.0, 10.0), strict=True):
        found = lattice_places(count + 1, 1, lattice, "round")
        reach = np.sort(np.hypot(*found.T))
        assert reach[-2] <= radius + 1e-9 < reach[-1]


def test_rows_of_a_hexagonal_rectangle_are_half_a_pitch_apart():
    found = lattice_places(12, 4, "hexagonal", "rectangle")
    assert found[4, 0] - found[0, 0] == pytest.approx(0.5)
    assert found[4, 1] - found[0, 1] == pytest.approx(np.sqrt(3) / 2)
    np.testing.assert_allclose(found.min(axis=0) + found.max(axis=0), 0.0, atol=1e-12)


def test_unequal_hexagonal_arrays_connect():
    geometry = SwitchGeometry.from_params(
        GeometryParams(**{**GEOMETRY, "ports_per_side": 61, "columns": 61}, lattice="hexagonal",
                       outline="round", output_ports=91, output_columns=91, output_pitch_mm=1.2)
    )  # fmt: skip
    inputs, outputs = np.divmod(np.arange(61 * 91), 91)
    solved = connect(geometry, inputs, outputs)
    built = build_switch(geometry, OpticsParams(**OPTICS), None, 0)
    rays = trace(built, inputs, outputs, solved.tilt_a_rad.T, solved.tilt_b_rad.T)
    assert np.abs(rays.mode_m).max() < 1e-13 and np.abs(rays.mode_rad).max() < 1e-12
    with pytest.raises(ValueError, match="from 0 to 90"):
        connect(geometry, [0], [91])


@pytest.mark.parametrize("outputs", [72, 120])
@pytest.mark.parametrize("wiring", ["identity", "reversed", "random"])
def test_runs_take_unequal_arrays(outputs, wiring):
    """The aims are those of the table of connections, and each mirror has a number of its own."""
    params = switch(output_ports=outputs, output_columns=12).replace(connections=wiring)
    mirrors, inputs, (epoch,), _ = connected_epochs(
        params, Clock(1e-4, 10, 10), seed=1, population_seed=1
    )
    count = min(96, outputs)
    np.testing.assert_array_equal(inputs, np.arange(count))
    assert len(set(epoch.outputs.tolist())) == count and epoch.outputs.max() < outputs
    np.testing.assert_array_equal(mirrors[epoch.pairs[:, 1]], 96 + epoch.outputs)
    found = connect(SwitchGeometry.from_params(params.geometry), inputs, epoch.outputs)
    np.testing.assert_array_equal(epoch.aim_rad[epoch.pairs[:, 0]], found.tilt_a_rad)
    np.testing.assert_array_equal(epoch.aim_rad[epoch.pairs[:, 1]], found.tilt_b_rad)


def test_ports_that_are_not_there_are_named_by_their_side():
    params = switch(output_ports=72, output_columns=12)
    with pytest.raises(ScenarioError, match="output port must be below the output ports = 72"):
        connected_epochs(
            params.replace(connections=((3, 72),)), Clock(1e-4, 10, 10), seed=1, population_seed=1
        )
    with pytest.raises(ValidationError, match="output_columns must divide"):
        GeometryParams(**GEOMETRY, output_ports=97)


def test_the_jacobian_as_built_is_that_of_the_design_for_a_perfect_switch():
    """Analytic derivatives (held to an independent ray trace elsewhere) against differences."""
    params = switch()
    geometry = SwitchGeometry.from_params(params.geometry)
    inputs, outputs = np.arange(96), np.arange(96)[::-1].copy()
    got = receiver_jacobian(built_of(params), inputs, outputs)
    want = connect(geometry, inputs, outputs).jacobian
    np.testing.assert_allclose(got, want, atol=2e-8 * np.abs(want).max())
    rough = receiver_jacobian(built_of(switch(ROUGH), seed=3), inputs, outputs)

    found = links(switch(ROUGH), 3, inputs, outputs)
    np.testing.assert_allclose(found.connections.jacobian, rough, atol=1e-9)


def test_the_jacobian_of_curved_mirrors_is_the_matrix_of_the_textbook():
    """One port a side: ray matrices, mirror B as a lens of f = R cos i / 2 in the plane of
    incidence and R / (2 cos i) across it; tilts turn the ray by 2 and 2 cos i.

    The matrices are textbook optics (from memory); the ray trace is exact vector algebra.
    """
    bend = 0.25
    params = switch({"mirror_curvature_per_m": bend}, ports_per_side=1, columns=1)
    geometry = SwitchGeometry.from_params(params.geometry)
    got = receiver_jacobian(built_of(params), np.array([0]), np.array([0]))[0]
    i, between, out = geometry.incidence_rad, geometry.spacing_m, geometry.collimator_out_m
    for axis, turn, focal in (
        (0, 2.0, np.cos(i) / (2 * bend)), (1, 2 * np.cos(i), 1 / (2 * bend * np.cos(i))),
    ):  # fmt: skip
        slope_a, offset_a = turn * (1 - between / focal), turn * between
        assert got[2 + axis, axis] == pytest.approx(slope_a, rel=1e-6)
        assert got[axis, axis] == pytest.approx(offset_a + out * slope_a, rel=1e-6)
        assert got[2 + axis, 2 + axis] == pytest.approx(turn, rel=1e-6)
        assert got[axis, 2 + axis] == pytest.approx(turn * out, rel=1e-6)


def test_each_side_has_its_own_waist():
    optics = OpticsParams(**{**OPTICS, "waist_um": 150.0, "receiving_waist_um": 260.0})
    built = build_switch(SwitchGeometry.from_params(GeometryParams(**GEOMETRY)), optics, None, 3)
    np.testing.assert_allclose(built.source.waist_m, 150e-6)
    np.testing.assert_allclose(built.sink.waist_m, 260e-6)
