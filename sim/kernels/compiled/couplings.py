"""Many connections of a switch as built: aim, ray and overlap, one connection at a time.

The meaning stands in `sim.optics.rays` and `sim.optics.overlap`; these are the same steps.
"""

import math

import numpy as np

from sim.kernels.compilation import inlined, kernel, step
from sim.kernels.compiled.blocks import next_block
from sim.kernels.compiled.functions import decayed, sine_and_cosine
from sim.kernels.threads import share
from sim.kernels.vectors import N, load, spread, store

CENTRE, GRID_X, GRID_Y, NORMAL, BEND = 0, 3, 6, 9, 12
POINT, WAY, WAIST = 0, 3, 6
AIM_STEPS = 4
DARK_DB = 300.0
BLOCK = 256
"""Connections that a thread takes at a time."""
CONNECTION_S = 15e-6
"""About what one takes. [s]"""
DB = 10.0 / math.log(10.0)


@inlined
def _dot(a, b):  # type: ignore[no-untyped-def]
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]


@inlined
def _less(a, b):  # type: ignore[no-untyped-def]
    return (a[0] - b[0], a[1] - b[1], a[2] - b[2])


@inlined
def _moved(a, t, b):  # type: ignore[no-untyped-def]
    """Return a + t b."""
    return (a[0] + t * b[0], a[1] + t * b[1], a[2] + t * b[2])


@inlined
def _unit(a):  # type: ignore[no-untyped-def]
    size = 1.0 / math.sqrt(_dot(a, a))
    return (a[0] * size, a[1] * size, a[2] * size)


@inlined
def _vector(row, at):  # type: ignore[no-untyped-def]
    return (row[at], row[at + 1], row[at + 2])


@inlined
def _reflected(way, normal):  # type: ignore[no-untyped-def]
    return _moved(way, -2.0 * _dot(way, normal), normal)


@inlined
def _hit(point, way, at, normal):  # type: ignore[no-untyped-def]
    return _moved(point, _dot(_less(at, point), normal) / _dot(way, normal), way)


@inlined
def _tilt(row, normal):  # type: ignore[no-untyped-def]
    x = _dot(normal, _vector(row, GRID_X))
    y = _dot(normal, _vector(row, GRID_Y))
    z = _dot(normal, _vector(row, NORMAL))
    return math.atan2(x, z), math.atan2(y, math.hypot(x, z))


@inlined
def _normal(row, x, y):  # type: ignore[no-untyped-def]
    inner = math.cos(y)
    n = _moved((0.0, 0.0, 0.0), inner * math.sin(x), _vector(row, GRID_X))
    n = _moved(n, inner * math.cos(x), _vector(row, NORMAL))
    return _moved(n, math.sin(y), _vector(row, GRID_Y))


@step
def _aim(a, b, source, sink):  # type: ignore[no-untyped-def]
    """See `sim.optics.rays.aim`."""
    way_in = _vector(source, WAY)
    way_out = _vector(sink, WAY)
    centre_a = _vector(a, CENTRE)
    centre_b = _vector(b, CENTRE)
    hit_a = centre_a
    hit_b = centre_b
    normal_a = centre_a
    normal_b = centre_b
    for _ in range(AIM_STEPS):
        between = _unit(_less(hit_b, hit_a))
        local = _unit(_less(between, way_in))
        normal_a = _unit(_moved(local, a[BEND], _less(hit_a, centre_a)))
        local = _unit(_less(way_out, between))
        normal_b = _unit(_moved(local, b[BEND], _less(hit_b, centre_b)))
        hit_a = _hit(_vector(source, POINT), way_in, centre_a, normal_a)
        hit_b = _hit(_vector(sink, POINT), way_out, centre_b, normal_b)
    ax, ay = _tilt(a, normal_a)
    bx, by = _tilt(b, normal_b)
    return ax, ay, bx, by


@inlined
def _inverse(q):  # type: ignore[no-untyped-def]
    det = q[0] * q[2] - q[1] * q[1]
    return (q[2] / det, -q[1] / det, q[0] / det)


@inlined
def _carried(q, way_m):  # type: ignore[no-untyped-def]
    i = _inverse(q)
    return _inverse((i[0] + way_m, i[1], i[2] + way_m))


@inlined
def _times(q, x, y):  # type: ignore[no-untyped-def]
    return q[0] * x + q[1] * y, q[1] * x + q[2] * y


@inlined
def _meet(k, beam, mode, x, y):  # type: ignore[no-untyped-def]
    """Loss, S, and the middle of the product; see `sim.optics.overlap`."""
    ik = 1j * k
    s = (
        ik * (beam[0] - mode[0].conjugate()),
        ik * (beam[1] - mode[1].conjugate()),
        ik * (beam[2] - mode[2].conjugate()),
    )
    bx = ik * x.conjugate()
    by = ik * y.conjugate()
    mx, my = _times(_inverse(s), bx, by)
    wide_beam = beam[0].imag * beam[2].imag - beam[1].imag * beam[1].imag
    wide_mode = mode[0].imag * mode[2].imag - mode[1].imag * mode[1].imag
    ix = x.imag
    iy = y.imag
    spread = (
        mode[2].imag * ix * ix - 2.0 * mode[1].imag * ix * iy + mode[0].imag * iy * iy
    ) / wide_mode
    exponent = (bx * mx + by * my).real + k * spread
    det = s[0] * s[2] - s[1] * s[1]
    size = det.real * det.real + det.imag * det.imag
    loss = 0.5 * math.log(size / (16.0 * k**4 * wide_beam * wide_mode)) - exponent
    return DB * loss, s, mx, my


@inlined
def _mixed(weights, a, b, c, d, e, f):  # type: ignore[no-untyped-def]
    return (
        a * weights[0] + b * weights[1] + c * weights[2] + d * weights[3] + e * weights[4]
        + f * weights[5]
    )


@step
def _on_face(  # type: ignore[no-untyped-def]
    s, mx, my, slope_x, slope_y, centre_x, centre_y, radius_m, edge, spare
):
    """Share of the light, in amplitude, that the edge of one mirror leaves over.

    Sixteen points of the edge side by side; real and imaginary parts by themselves.
    """
    # Half of S, and that turned, which takes real and imaginary parts of x.x to those of u.
    half = (
        0.5 * s[0].real, -0.5 * s[0].imag, s[1].real, -s[1].imag, 0.5 * s[2].real, -0.5 * s[2].imag
    )
    turned = (
        0.5 * s[0].imag, 0.5 * s[0].real, s[1].imag, s[1].real, 0.5 * s[2].imag, 0.5 * s[2].real
    )
    short = radius_m / math.sqrt(1.0 + slope_x * slope_x + slope_y * slope_y)
    steep = math.hypot(slope_x, slope_y)
    ux = slope_x / steep if steep > 0.0 else 1.0
    uy = slope_y / steep if steep > 0.0 else 0.0
    x0 = centre_x - mx
    y0 = centre_y - my
    points = edge.shape[1]
    sum_re = spread(0.0)
    sum_im = spread(0.0)
    for n in range(0, points, N):
        at_x = load(edge, (0, n))
        at_y = load(edge, (1, n))
        c = at_x * short
        d = at_y * radius_m
        x = c * ux - d * uy + x0.real
        y = c * uy + d * ux + y0.real
        c = at_y * -short
        d = at_x * radius_m
        along_x = c * ux - d * uy
        along_y = c * uy + d * ux
        cross_re = x * along_y - y * along_x
        cross_im = along_y * x0.imag - along_x * y0.imag
        xx_re = x * x - x0.imag * x0.imag
        xx_im = x * (2.0 * x0.imag)
        xy_re = x * y - x0.imag * y0.imag
        xy_im = x * y0.imag + y * x0.imag
        yy_re = y * y - y0.imag * y0.imag
        yy_im = y * (2.0 * y0.imag)
        u_re = _mixed(half, xx_re, xx_im, xy_re, xy_im, yy_re, yy_im)
        u_im = _mixed(turned, xx_re, xx_im, xy_re, xy_im, yy_re, yy_im)
        gone = decayed(u_re)
        sine, cosine = sine_and_cosine(u_im)
        size = 1.0 - gone
        gone_re = gone * cosine + (1.0 - cosine)
        gone_im = size * sine
        inverse = 1.0 / (u_re * u_re + u_im * u_im)
        w_re = (gone_re * u_re + gone_im * u_im) * inverse
        w_im = (gone_im * u_re - gone_re * u_im) * inverse
        sum_re = sum_re + (cross_re * w_re - cross_im * w_im)
        sum_im = sum_im + (cross_re * w_im + cross_im * w_re)
    store(spare, 0, sum_re)
    store(spare, N, sum_im)
    total = 0.0j
    for n in range(N):
        total += complex(spare[n], spare[N + n])
    det = s[0] * s[2] - s[1] * s[1]
    root = np.sqrt(s[0]) * np.sqrt(det / s[0])
    return 0.5 / points * root * total


@step
def one_connection(  # type: ignore[no-untyped-def]
    a, b, source, sink, axis, middle_m, radius_m, edge, wavelengths, scales, out, band, spare
):
    """Trace and couple one connection whose tilts stand in `out`; fill the rest of it.

    `spare` is room for two numbers a lane.
    """
    way_in = _vector(source, WAY)
    way_out = _vector(sink, WAY)
    centre_a = _vector(a, CENTRE)
    centre_b = _vector(b, CENTRE)
    normal_a = _normal(a, out[0], out[1])
    normal_b = _normal(b, out[2], out[3])
    start = _vector(source, POINT)
    end = _vector(sink, POINT)
    hit_a = _hit(start, way_in, centre_a, normal_a)
    local_a = _unit(_moved(normal_a, -a[BEND], _less(hit_a, centre_a)))
    between = _reflected(way_in, local_a)
    hit_b = _hit(hit_a, between, centre_b, normal_b)
    local_b = _unit(_moved(normal_b, -b[BEND], _less(hit_b, centre_b)))
    leaving = _reflected(between, local_b)
    along_x = _vector(axis, 0)
    x_a = _unit(_moved(along_x, -_dot(along_x, way_in), way_in))
    y_a = (
        x_a[1] * way_in[2] - x_a[2] * way_in[1],
        x_a[2] * way_in[0] - x_a[0] * way_in[2],
        x_a[0] * way_in[1] - x_a[1] * way_in[0],
    )
    x_b = _reflected(x_a, local_a)
    y_b = _reflected(y_a, local_a)
    x_c = _reflected(x_b, local_b)
    y_c = _reflected(y_b, local_b)
    at_b = _hit(end, way_out, hit_b, leaving)
    to_a_m = _dot(_less(hit_a, start), way_in)
    between_m = _dot(_less(hit_b, hit_a), between)
    to_sink_m = _dot(_less(end, at_b), way_out)
    facing = _dot(local_a, way_in)
    sax = _dot(local_a, x_a) / facing
    say = _dot(local_a, y_a) / facing
    out[5] = math.acos(min(abs(facing), 1.0))
    facing = _dot(local_b, between)
    sbx = _dot(local_b, x_b) / facing
    sby = _dot(local_b, y_b) / facing
    out[6] = math.acos(min(abs(facing), 1.0))
    off_a = _less(centre_a, hit_a)
    off_b = _less(centre_b, hit_b)
    away = _less(at_b, hit_b)
    along = _dot(way_out, leaving)
    out[4] = to_a_m + between_m + to_sink_m
    for n in range(wavelengths.shape[0]):
        k = 2.0 * math.pi / wavelengths[n]
        waist_in = source[WAIST] * scales[n]
        waist_out = sink[WAIST] * scales[n]
        q = 1.0 / ((to_a_m - middle_m) + 0.5j * k * waist_in * waist_in)
        round_in = (q, 0.0j, q)
        q = 1.0 / ((middle_m - to_sink_m) + 0.5j * k * waist_out * waist_out)
        round_out = (q, 0.0j, q)
        x = _dot(way_out, x_c) / along - q * _dot(away, x_c)
        y = _dot(way_out, y_c) / along - q * _dot(away, y_c)
        size = 2.0 * a[BEND] / math.sqrt(1.0 + sax * sax + say * say)
        beam_a = (
            round_in[0] - size * (1.0 + sax * sax),
            -size * sax * say + 0.0j,
            round_in[2] - size * (1.0 + say * say),
        )
        size = 2.0 * b[BEND] / math.sqrt(1.0 + sbx * sbx + sby * sby)
        mode_b = (
            round_out[0] + size * (1.0 + sbx * sbx),
            size * sbx * sby + 0.0j,
            round_out[2] + size * (1.0 + sby * sby),
        )
        beam_b = _carried(beam_a, between_m)
        gauss, s_b, mx_b, my_b = _meet(k, beam_b, mode_b, x, y)
        clipping = 0.0
        if gauss < DARK_DB:
            mode_a = _carried(mode_b, -between_m)
            bx, by = _times(_inverse(mode_b), x, y)
            bx, by = _times(mode_a, bx, by)
            _, s_a, mx_a, my_a = _meet(k, beam_a, mode_a, bx, by)
            left = _on_face(
                s_a, mx_a, my_a, sax, say, _dot(off_a, x_a), _dot(off_a, y_a), radius_m, edge, spare
            ) + (_on_face(
                s_b, mx_b, my_b, sbx, sby, _dot(off_b, x_b), _dot(off_b, y_b), radius_m, edge, spare
            ) - 1.0)
            clipping = -DB * math.log(left.real * left.real + left.imag * left.imag)
        band[n] = gauss + clipping
        if n == 0:
            flat, _, _, _ = _meet(k, _carried(round_in, between_m), round_out, 0.0j, 0.0j)
            aligned, _, _, _ = _meet(k, beam_b, mode_b, 0.0j, 0.0j)
            out[7] = flat
            out[8] = aligned - flat
            out[9] = gauss - aligned
            out[10] = clipping


@kernel
def _couple(  # type: ignore[no-untyped-def]
    queue, inputs, outputs, change, from_rest, a, b, source, sink, axis, middle_m, radius_m, edge,
    wavelengths, scales, out, band,
):  # fmt: skip
    """See `couple`; blocks of connections, as they are queue."""
    count = inputs.shape[0]
    spare = np.empty(2 * N)
    start = next_block(queue) * BLOCK
    while start < count:
        for c in range(start, min(start + BLOCK, count)):
            i = inputs[c]
            j = outputs[c]
            for axis_number in range(4):
                out[c, axis_number] = change[c, axis_number]
            if not from_rest:
                ax, ay, bx, by = _aim(a[i], b[j], source[i], sink[j])
                out[c, 0] += ax
                out[c, 1] += ay
                out[c, 2] += bx
                out[c, 3] += by
            one_connection(
                a[i], b[j], source[i], sink[j], axis, middle_m, radius_m, edge, wavelengths,
                scales, out[c], band[c], spare,
            )  # fmt: skip
        start = next_block(queue) * BLOCK


def couple(  # type: ignore[no-untyped-def]
    inputs, outputs, change, from_rest, a, b, source, sink, axis, middle_m, radius_m, edge,
    wavelengths, scales, out, band,
):  # fmt: skip
    """Aim, trace and couple C connections.

    Parameters
    ----------
    inputs, outputs : (C,) int64
        Ports.
    change : (C, 4) float64
        Tilts (Ax, Ay, Bx, By) from the aim, or from rest. [rad]
    from_rest : bool
        Whether `change` is the whole tilt.
    a, b : (N, 13) float64
        Centre, both grid axes, normal, curvature of each mirror.
    source, sink : (N, 7) float64
        Point, way, waist of each collimator.
    axis : (3,) float64
        Receiver's x.
    middle_m, radius_m : float
        From collimator to waist; of the mirrors.
    edge : (2, P) float64
        Cosine and sine of the points on an edge; P is a multiple of sixteen.
    wavelengths, scales : (W,) float64
        Wavelengths [m] and factors of the waists; the first is that of the split.
    out : (C, 11) float64
        Filled: tilts Ax, Ay, Bx, By; path; incidence on A, on B; mode, curvature, pointing,
        clipping. [rad, m, dB]
    band : (C, W) float64
        Filled: loss of all that shares the beam, at each wavelength. [dB]
    """
    share(
        _couple, -(-len(inputs) // BLOCK), BLOCK * CONNECTION_S, inputs, outputs, change,
        from_rest, a, b, source, sink, axis, middle_m, radius_m, edge, wavelengths, scales, out,
        band,
    )  # fmt: skip
