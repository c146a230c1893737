"""The axis of the beam through a switch as built, by exact vectors.

A curved mirror turns the ray as its normal at the point that the ray meets does; its sag is left
out (0.2 nm for a beam 20 um off the centre of a mirror of 1 m radius).
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.foundations.ports import Array
from sim.optics.build_errors import BuiltSwitch, CollimatorArray, MirrorArray
from sim.optics.vectors import dot, hit_plane, reflected, unit

Ports = NDArray[np.int64]
AIM_STEPS = 4
"""Steps of the search for the hits; each is a thousand times nearer than the one before."""


class OnMirror(NamedTuple):
    """Where and how the ray meets C mirrors; (2, C) lie across the ray, along its carried axes."""

    slope: Array
    """(2, C) of the mirror's face against the plane across the ray. [-]"""
    centre_m: Array
    """(2, C) the mirror's centre, from the ray. [m]"""
    incidence_rad: Array
    """(C,) angle between ray and normal. [rad]"""


class Rays(NamedTuple):
    """C beam axes, from their input collimators to beyond mirror B."""

    on_a: OnMirror
    on_b: OnMirror
    to_a_m: Array
    """(C,) from the input collimator to mirror A. [m]"""
    between_m: Array
    """(C,) from mirror A to mirror B. [m]"""
    to_sink_m: Array
    """(C,) from mirror B to the plane of the output collimator, along the mode's axis. [m]"""
    mode_m: Array
    """(2, C) where the axis of the receiving mode is at mirror B, from the ray. [m]"""
    mode_rad: Array
    """(2, C) its slope against the ray. [rad]"""

    @property
    def path_m(self) -> Array:
        """(C,) collimator to collimator. [m]"""
        return self.to_a_m + self.between_m + self.to_sink_m


def aim(built: BuiltSwitch, inputs: Ports, outputs: Ports) -> tuple[Array, Array]:
    """Return the tilts (2, C) of mirrors A and B that put the ray onto the axis of the output.

    The ray then meets neither mirror in its centre: where it does is found step by step.
    """
    return aim_parts(*_chosen(built, inputs, outputs))


def aim_parts(
    a: MirrorArray, b: MirrorArray, source: CollimatorArray, sink: CollimatorArray
) -> tuple[Array, Array]:
    """Return the tilts of C connections whose own parts these are, one each; see `aim`."""
    start, way_in = source.point_m, source.way
    end, way_out = sink.point_m, sink.way
    centre_a, centre_b = a.centre_m, b.centre_m
    bend_a, bend_b = a.curvature_per_m, b.curvature_per_m
    hit_a, hit_b = centre_a, centre_b
    normal_a = normal_b = centre_a
    for _ in range(AIM_STEPS):
        between = unit(hit_b - hit_a)
        # The normal of the whole mirror from that at the hit, which is turned by the curvature.
        normal_a = unit(unit(between - way_in) + bend_a * (hit_a - centre_a))
        normal_b = unit(unit(way_out - between) + bend_b * (hit_b - centre_b))
        hit_a = hit_plane(start, way_in, centre_a, normal_a)
        hit_b = hit_plane(end, way_out, centre_b, normal_b)
    return _tilt(a, normal_a), _tilt(b, normal_b)


def trace(
    built: BuiltSwitch, inputs: Ports, outputs: Ports, tilt_a_rad: Array, tilt_b_rad: Array
) -> Rays:
    """Return the rays (C of them) of mirrors with the tilts (2, C). [rad]"""
    parts = _chosen(built, inputs, outputs)
    return trace_parts(*parts, built.geometry.receiver_x, tilt_a_rad, tilt_b_rad)


def trace_parts(
    a: MirrorArray, b: MirrorArray, source: CollimatorArray, sink: CollimatorArray,
    receiver_x: Array, tilt_a_rad: Array, tilt_b_rad: Array,
) -> Rays:  # fmt: skip
    """Return the rays of C connections whose own parts these are, one each."""
    start, way_in = source.point_m, source.way
    end, way_out = sink.point_m, sink.way
    centre_a, centre_b = a.centre_m, b.centre_m
    normal_b = _normal(b, tilt_b_rad)
    hit_a, local_a, between = sent(a, source, tilt_a_rad)
    hit_b = hit_plane(hit_a, between, centre_b, normal_b)
    local_b = unit(normal_b - b.curvature_per_m * (hit_b - centre_b))
    leaving = reflected(between, local_b)

    across_x = receiver_x[:, None] - dot(receiver_x[:, None], way_in) * way_in
    axis_x = unit(across_x)
    axis_y = np.cross(axis_x, way_in, axis=0)
    out_x, out_y = reflected(axis_x, local_a), reflected(axis_y, local_a)
    at_b = hit_plane(end, way_out, hit_b, leaving)
    end_x, end_y = reflected(out_x, local_b), reflected(out_y, local_b)
    along = dot(way_out, leaving)
    return Rays(
        on_a=_on_mirror(axis_x, axis_y, way_in, local_a, centre_a - hit_a),
        on_b=_on_mirror(out_x, out_y, between, local_b, centre_b - hit_b),
        to_a_m=dot(hit_a - start, way_in),
        between_m=dot(hit_b - hit_a, between),
        to_sink_m=dot(end - at_b, way_out),
        mode_m=np.stack([dot(at_b - hit_b, end_x), dot(at_b - hit_b, end_y)]),
        mode_rad=np.stack([dot(way_out, end_x) / along, dot(way_out, end_y) / along]),
    )


def sent(
    a: MirrorArray, source: CollimatorArray, tilt_a_rad: Array
) -> tuple[Array, Array, Array]:
    """Return where C beams meet their mirrors A, the normals there, and their ways after it.

    Each is (3, C); `tilt_a_rad` is (2, C). [m, -, -]
    """
    normal = _normal(a, tilt_a_rad)
    hit_m = hit_plane(source.point_m, source.way, a.centre_m, normal)
    local = unit(normal - a.curvature_per_m * (hit_m - a.centre_m))
    return hit_m, local, reflected(source.way, local)


def _chosen(
    built: BuiltSwitch, inputs: Ports, outputs: Ports
) -> tuple[MirrorArray, MirrorArray, CollimatorArray, CollimatorArray]:
    """Return the parts of C connections, one each."""
    return (
        MirrorArray._make(field[..., inputs] for field in built.a),
        MirrorArray._make(field[..., outputs] for field in built.b),
        CollimatorArray._make(field[..., inputs] for field in built.source),
        CollimatorArray._make(field[..., outputs] for field in built.sink),
    )


def _normal(array: MirrorArray, tilt_rad: Array) -> Array:
    """Return the normals (3, C) of tilted mirrors, as `sim.optics.geometry.tilted_normal`."""
    x, y = tilt_rad
    outer = np.sin(x) * array.grid_x + np.cos(x) * array.normal
    return np.asarray(np.cos(y) * outer + np.sin(y) * array.grid_y)


def _tilt(array: MirrorArray, normal: Array) -> Array:
    along_x = dot(normal, array.grid_x)
    along_y = dot(normal, array.grid_y)
    along_rest = dot(normal, array.normal)
    return np.stack(
        [np.arctan2(along_x, along_rest), np.arctan2(along_y, np.hypot(along_x, along_rest))]
    )


def _on_mirror(
    axis_x: Array, axis_y: Array, way: Array, normal: Array, centre_m: Array
) -> OnMirror:
    facing = dot(normal, way)
    return OnMirror(
        slope=np.stack([dot(normal, axis_x) / facing, dot(normal, axis_y) / facing]),
        centre_m=np.stack([dot(centre_m, axis_x), dot(centre_m, axis_y)]),
        incidence_rad=np.arccos(np.minimum(np.abs(facing), 1.0)),
    )
