"""Ray geometry against an independent ray trace, paraxial matrices and exact reflection."""

import numpy as np
import pytest
from numpy.typing import NDArray
from pydantic import ValidationError
from scipy.spatial.transform import Rotation

from sim.optics.coupling import aligned_mode_loss_db, coupling_loss_db, loss_form
from sim.optics.geometry import (
    SwitchGeometry,
    connect,
    excess_loss_form,
    tilted_normal,
)
from sim.optics.params import GeometryParams

Vector = NDArray[np.float64]

HARROW_POINT = GeometryParams(
    ports_per_side=96,
    columns=12,
    pitch_mm=1.5,
    spacing_mm=130.0,
    collimator_in_mm=40.0,
    collimator_out_mm=40.0,
    incidence_deg=20.0,
)


def demo(**changes: float) -> SwitchGeometry:
    return SwitchGeometry.from_params(HARROW_POINT.replace(**changes))


def traced(
    geometry: SwitchGeometry, source: int, target: int, tilt_a: Vector, tilt_b: Vector
) -> Vector:
    """Trace one ray by rotating mirrors and meeting planes; return (offset x, y, slope x, y).

    Written from the description of the frames alone: the grid, the gimbals and the reflections are
    not taken from the package.
    """
    i, pitch, columns = geometry.incidence_rad, geometry.pitch_m, geometry.columns
    rows = geometry.ports_per_side // columns
    e_x, e_y = np.array([np.cos(i), 0.0, -np.sin(i)]), np.array([0.0, 1.0, 0.0])
    rest = {"a": np.array([np.sin(i), 0.0, np.cos(i)])}
    rest["b"] = -rest["a"]

    def centre(port: int) -> Vector:
        row, column = divmod(port, columns)
        return pitch * ((column - (columns - 1) / 2) * e_x + (row - (rows - 1) / 2) * e_y)

    def turned(normal: Vector, tilt: Vector) -> Vector:
        # Rotations that carry the normal towards +e_x (about e_y) and +e_y (about in-plane x):
        # for a normal along -z these turn the other way round than for one along +z.
        sense_x = np.sign(np.dot(np.cross(e_y, normal), e_x))
        sense_y = np.sign(np.dot(np.cross(e_x, normal), e_y))
        inner = Rotation.from_rotvec(sense_y * tilt[1] * e_x)
        outer = Rotation.from_rotvec(sense_x * tilt[0] * e_y)
        return (outer * inner).apply(normal)

    def bounce(point: Vector, way: Vector, at: Vector, normal: Vector) -> tuple[Vector, Vector]:
        hit = point + way * np.dot(at - point, normal) / np.dot(way, normal)
        return hit, way - 2.0 * np.dot(way, normal) * normal

    fibre = np.array([-np.sin(2 * i), 0.0, -np.cos(2 * i)])
    mirror_a = centre(source)
    mirror_b = centre(target) + np.array([0.0, 0.0, geometry.spacing_m])
    start = mirror_a - geometry.collimator_in_m * fibre
    point, way = bounce(start, fibre, mirror_a, turned(rest["a"], tilt_a))
    point, way = bounce(point, way, mirror_b, turned(rest["b"], tilt_b))
    receiver = mirror_b + geometry.collimator_out_m * fibre
    hit = point + way * np.dot(receiver - point, fibre) / np.dot(way, fibre)
    u_x, u_y = np.array([np.cos(2 * i), 0.0, -np.sin(2 * i)]), e_y
    off = hit - receiver
    along = np.dot(way, fibre)
    return np.array([off @ u_x, off @ u_y, way @ u_x / along, way @ u_y / along])


def some_connections(n: int, seed: int = 5) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    rng = np.random.default_rng(seed)
    corners = np.array([0, 11, 84, 95])
    inputs = np.concatenate([np.repeat(corners, 4), rng.integers(0, 96, n)])
    outputs = np.concatenate([np.tile(corners, 4), rng.integers(0, 96, n)])
    return inputs, outputs


@pytest.mark.parametrize("incidence_deg", [0.0, 20.0, 45.0])
def test_solved_tilts_aim_at_the_collimator(incidence_deg: float) -> None:
    geometry = demo(incidence_deg=incidence_deg)
    inputs, outputs = some_connections(40)
    solved = connect(geometry, inputs, outputs)
    for c, (source, target) in enumerate(zip(inputs, outputs, strict=True)):
        ray = traced(geometry, source, target, solved.tilt_a_rad[c], solved.tilt_b_rad[c])
        # Rounding of lengths near 0.2 m.
        np.testing.assert_allclose(ray, 0.0, atol=1e-12)


def test_ports_at_rest_face_each_other() -> None:
    geometry = demo()
    ports = np.arange(96)
    solved = connect(geometry, ports, ports)
    np.testing.assert_allclose(solved.tilt_a_rad, 0.0, atol=1e-15)
    np.testing.assert_allclose(solved.tilt_b_rad, 0.0, atol=1e-15)
    np.testing.assert_allclose(solved.path_m, 0.210, rtol=1e-14)
    np.testing.assert_allclose(solved.incidence_a_rad, np.deg2rad(20.0), rtol=1e-14)
    np.testing.assert_allclose(solved.incidence_b_rad, np.deg2rad(20.0), rtol=1e-14)


def test_tilts_turn_the_beam_to_the_side_of_the_target() -> None:
    geometry = demo()
    solved = connect(geometry, [0, 0], [11, 84])
    assert solved.tilt_a_rad[0, 0] > 0.05 and solved.tilt_b_rad[0, 0] < -0.05
    np.testing.assert_allclose(solved.tilt_a_rad[0, 1], 0.0, atol=1e-15)
    assert solved.tilt_a_rad[1, 1] > 0.03 and solved.tilt_b_rad[1, 1] < -0.03
    # Small moves: half the beam's angle in the plane of incidence, 1/(2 cos i) of it across.
    geometry = demo(spacing_mm=13_000.0)
    near = connect(geometry, [0, 0], [1, 12])
    across_m = 1.5e-3
    assert near.tilt_a_rad[0, 0] == pytest.approx(
        0.5 * across_m * np.cos(np.deg2rad(20)) / 13.0, rel=1e-4
    )
    assert near.tilt_a_rad[1, 1] == pytest.approx(
        0.5 * across_m / np.cos(np.deg2rad(20)) / 13.0, rel=1e-4
    )


def test_reflection_in_the_plane_of_incidence() -> None:
    geometry = demo()
    inputs, outputs = some_connections(40)
    there = connect(geometry, inputs, outputs)
    ports = np.arange(96)
    flip = (7 - ports // 12) * 12 + ports % 12
    flipped = connect(geometry, flip[inputs], flip[outputs])
    np.testing.assert_allclose(flipped.tilt_a_rad, there.tilt_a_rad * [1, -1], atol=1e-14)
    np.testing.assert_allclose(flipped.tilt_b_rad, there.tilt_b_rad * [1, -1], atol=1e-14)
    np.testing.assert_allclose(flipped.path_m, there.path_m, rtol=1e-14)
    signs = np.array([1, -1, 1, -1])
    np.testing.assert_allclose(
        flipped.jacobian, signs[:, None] * there.jacobian * signs, atol=1e-12
    )


def test_light_sent_back_takes_the_same_way() -> None:
    # Half a turn about the y axis through the middle puts array B where array A was, with its
    # columns and its x axis the other way round; reversed light then is ordinary light.
    geometry = demo()
    inputs, outputs = some_connections(40)
    there = connect(geometry, inputs, outputs)
    ports = np.arange(96)
    flip = (ports // 12) * 12 + 11 - ports % 12
    back = connect(geometry, flip[outputs], flip[inputs])
    np.testing.assert_allclose(back.tilt_a_rad, there.tilt_b_rad * [-1, 1], atol=1e-14)
    np.testing.assert_allclose(back.tilt_b_rad, there.tilt_a_rad * [-1, 1], atol=1e-14)
    np.testing.assert_allclose(back.incidence_a_rad, there.incidence_b_rad, rtol=1e-12)
    np.testing.assert_allclose(back.path_m, there.path_m, rtol=1e-14)


@pytest.mark.parametrize("incidence_deg", [0.0, 20.0, 45.0])
def test_jacobian_matches_central_differences_of_a_ray_trace(incidence_deg: float) -> None:
    geometry = demo(incidence_deg=incidence_deg, collimator_in_mm=35.0, collimator_out_mm=55.0)
    inputs, outputs = some_connections(12)
    solved = connect(geometry, inputs, outputs)
    step = 1e-5
    for c, (source, target) in enumerate(zip(inputs, outputs, strict=True)):
        aimed = np.concatenate([solved.tilt_a_rad[c], solved.tilt_b_rad[c]])
        columns = []
        for k in range(4):
            moved = aimed + step * np.eye(4)[k], aimed - step * np.eye(4)[k]
            high, low = (traced(geometry, source, target, t[:2], t[2:]) for t in moved)
            columns.append((high - low) / (2.0 * step))
        # Central differences: error of order step^2 = 1e-10 times derivatives of order one, and
        # rounding 1e-16 / step = 1e-11.
        np.testing.assert_allclose(solved.jacobian[c], np.stack(columns, axis=1), atol=2e-9)


def test_jacobian_at_normal_incidence_is_the_paraxial_one() -> None:
    # Ray matrices (textbook): y = 2 a1 (L12 + L2) + 2 a2 L2, slope = 2 (a1 + a2).
    geometry = demo(incidence_deg=0.0, spacing_mm=150.0, collimator_out_mm=60.0)
    jacobian = connect(geometry, [40], [40]).jacobian[0]
    expected = np.zeros((4, 4))
    for axis in range(2):
        expected[axis, [axis, 2 + axis]] = 2.0 * 0.21, 2.0 * 0.06
        expected[2 + axis, [axis, 2 + axis]] = 2.0, 2.0
    np.testing.assert_allclose(jacobian, expected, atol=1e-14)
    # By hand from those matrices, with the loss at 1.55 um, 200 um, no gap.
    form = excess_loss_form(jacobian[None], loss_form(1.55e-6, 200e-6, 200e-6, 0.0), 0.0)[0]
    for a1, a2, offset_um, slope_urad, loss_db in (
        (100, 0, 42, 200, 0.22007),
        (0, 100, 12, 200, 0.04418),
        (100, -100, 30, 0, 0.09772),
        (100, 50, 48, 300, 0.31438),
    ):
        for axis in range(2):
            error = np.zeros(4)
            error[[axis, 2 + axis]] = 1e-6 * a1, 1e-6 * a2
            ray = jacobian @ error
            assert ray[axis] == pytest.approx(1e-6 * offset_um, abs=1e-15)
            assert ray[2 + axis] == pytest.approx(1e-6 * slope_urad, abs=1e-15)
            assert error @ form @ error == pytest.approx(loss_db, abs=5.1e-6)


def test_jacobian_of_ports_at_rest_has_the_cosine_on_one_axis() -> None:
    # The axis whose rotation axis lies in the plane of incidence gets 2 cos i.
    jacobian = connect(demo(), [17], [17]).jacobian[0]
    scale = np.array([2.0, 2.0 * np.cos(np.deg2rad(20.0))])
    expected = np.zeros((4, 4))
    for axis in range(2):
        expected[axis, [axis, 2 + axis]] = scale[axis] * np.array([0.17, 0.04])
        expected[2 + axis, [axis, 2 + axis]] = scale[axis]
    np.testing.assert_allclose(jacobian, expected, atol=1e-14)


def reflect(direction: np.ndarray, normal: np.ndarray) -> np.ndarray:
    """The law of reflection, d - 2 (d.n) n."""
    return direction - 2.0 * (direction @ normal) * normal


@pytest.mark.parametrize(
    "tilt_mrad, incidence_deg, deflection_mrad, tolerance",
    [(1.0, 22.5, 1.8478, 1e-4), (1.0, 45.0, 1.41421, 1e-4), (50.0, 45.0, 70.6959, 1e-5)],
)
def test_tilt_y_deflects_by_the_cosine(
    tilt_mrad: float, incidence_deg: float, deflection_mrad: float, tolerance: float
) -> None:
    # Exact vector reflection, computed apart from this code.
    geometry = demo(incidence_deg=incidence_deg)
    normal = tilted_normal(
        [0.0, 1e-3 * tilt_mrad], geometry.grid_x, geometry.grid_y, geometry.normal_a
    )
    beam = reflect(geometry.fibre_direction, normal)
    angle = np.arctan2(np.hypot(beam[0], beam[1]), beam[2])
    assert angle == pytest.approx(1e-3 * deflection_mrad, rel=tolerance)
    assert beam[1] > 0.0
    if tilt_mrad == 50.0:
        # The beam also strays in the plane of incidence, by about tilt^2 sin 2i.
        assert np.arctan2(-beam[0], beam[2]) == pytest.approx(2.504e-3, abs=5e-7)


@pytest.mark.parametrize("tilt_rad", [1e-3, -0.05, 0.2])
def test_tilt_x_deflects_by_exactly_twice(tilt_rad: float) -> None:
    geometry = demo()
    normal = tilted_normal([tilt_rad, 0.0], geometry.grid_x, geometry.grid_y, geometry.normal_a)
    beam = reflect(geometry.fibre_direction, normal)
    assert np.arctan2(beam[0], beam[2]) == pytest.approx(2.0 * tilt_rad, rel=1e-12)
    assert beam[1] == 0.0


def test_tilt_x_is_the_outer_gimbal() -> None:
    # Outer about the fixed e_y, inner about the carried x axis: as rotations applied to the
    # mirror, the inner comes first. The other order differs at second order, by the product.
    geometry = demo()
    tilt = np.array([0.05, 0.03])
    inner = Rotation.from_rotvec(-tilt[1] * geometry.grid_x)
    outer = Rotation.from_rotvec(tilt[0] * geometry.grid_y)
    got = tilted_normal(tilt, geometry.grid_x, geometry.grid_y, geometry.normal_a)
    np.testing.assert_allclose(got, (outer * inner).apply(geometry.normal_a), atol=1e-15)
    wrong = (inner * outer).apply(geometry.normal_a)
    assert np.abs(got - wrong).max() > 1e-5


def test_hand_check_of_a_hundred_microradians() -> None:
    # By hand (docs/optics.md): waist at mid path, 1310 nm, 200 um. 13 um and 200 urad at the
    # waist: (13/200)^2 + (pi * 200e-6 * 200e-6 / 1.31e-6)^2 = 0.004225 + 0.009202 nepers.
    geometry = demo()
    form = excess_loss_form(
        connect(geometry, [17], [17]).jacobian,
        loss_form(1.31e-6, 200e-6, 200e-6, 0.0),
        geometry.waist_to_receiver_m,
    )[0]
    error = np.array([100e-6, 0.0, 0.0, 0.0])
    assert error @ form @ error == pytest.approx(0.0583, abs=5e-5)
    # The other array is as far from the waist, on its other side: same loss. Across the plane of
    # incidence everything shrinks by cos i, the loss by its square.
    assert form[2, 2] == pytest.approx(form[0, 0], rel=1e-12)
    assert form[1, 1] == pytest.approx(form[0, 0] * np.cos(np.deg2rad(20.0)) ** 2, rel=1e-12)


def test_excess_form_agrees_with_a_trace_and_the_coupling_formula() -> None:
    geometry = demo()
    inputs, outputs = some_connections(10)
    solved = connect(geometry, inputs, outputs)
    upstream_m = geometry.waist_to_receiver_m
    gaps_m = solved.path_m - geometry.nominal_path_m
    light = {"wavelength_m": 1.31e-6, "waist_in_m": 200e-6, "waist_out_m": 190e-6}
    form = loss_form(**light, gap_m=gaps_m)
    excess = excess_loss_form(solved.jacobian, form, upstream_m)
    errors = 50e-6 * np.random.default_rng(6).normal(size=(len(inputs), 4))
    for c, error in enumerate(errors):
        ray = traced(
            geometry,
            inputs[c],
            outputs[c],
            solved.tilt_a_rad[c] + error[:2],
            solved.tilt_b_rad[c] + error[2:],
        )
        loss_db = coupling_loss_db(
            ray[:2] - upstream_m * ray[2:], ray[2:], **light, gap_m=gaps_m[c]
        ) - aligned_mode_loss_db(**light, gap_m=gaps_m[c])
        # Second-order terms of the ray are of the order of the tilt error, 1e-4 of the first.
        assert error @ excess[c] @ error == pytest.approx(loss_db, rel=1e-3, abs=1e-6)


def test_port_numbers_are_checked() -> None:
    geometry = demo()
    with pytest.raises(ValueError, match="inputs must be from 0 to 95, got 96"):
        connect(geometry, [0, 96], [0, 1])
    with pytest.raises(ValueError, match="outputs must be from 0 to 95, got -1"):
        connect(geometry, [0, 1], [0, -1])
    with pytest.raises(ValueError, match=r"inputs must be \(C,\) whole numbers, got float64"):
        connect(geometry, [0.5], [0])
    with pytest.raises(ValueError, match="must be equally long, got 2 and 1"):
        connect(geometry, [0, 1], [0])


def test_rows_must_be_full() -> None:
    with pytest.raises(ValidationError, match="columns must divide ports_per_side = 96, got 10"):
        HARROW_POINT.replace(columns=10)


def test_arrays_must_be_farther_apart_than_they_are_wide() -> None:
    with pytest.raises(ValidationError, match="spacing_mm must exceed .* 16.5 mm, got 16"):
        HARROW_POINT.replace(spacing_mm=16.0)


def test_array_b_may_have_rows_and_pitch_of_its_own():
    """By hand: 48 mirrors in rows of 6 at 2 mm; the first stands 2.5 and 3.5 pitches off."""
    own = demo(output_ports=48, output_columns=6, output_pitch_mm=2.0)
    first, last = own.mirrors_b_m([0, 47])
    along, across = -2.5 * 2e-3, -3.5 * 2e-3
    np.testing.assert_allclose(first - last, 2 * (along * own.grid_x + across * own.grid_y))
    np.testing.assert_allclose(0.5 * (first + last), [0.0, 0.0, 0.130])
    alike = demo()
    apart = alike.mirrors_b_m(np.arange(96)) - alike.mirrors_a_m(np.arange(96))
    np.testing.assert_allclose(apart, np.tile([0.0, 0.0, 0.130], (96, 1)), atol=1e-15)
