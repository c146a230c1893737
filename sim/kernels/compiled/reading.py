"""Where spots are in their windows, and what is read from their sums."""

import numpy as np

from sim.foundations.ports import SpotStatus
from sim.kernels.compilation import inlined, kernel, step
from sim.kernels.vectors import (
    N,
    int64_to_float64,
    load_some,
    low_byte,
    spread,
    store_some,
    where_above,
)

OK, DIM, EDGE = (np.int64(s) for s in (SpotStatus.OK, SpotStatus.DIM, SpotStatus.EDGE))
BEYOND = 255


@step
def path_block(start, count, position, history, shift, sampling, origin):  # type: ignore[no-untyped-def]
    """See `spot_paths`; one block of mirrors."""
    at_ticks, delay_ticks, scale = sampling
    last = history.shape[0] - 1
    for s in range(at_ticks.size):
        if delay_ticks.size == 0:
            n = min(int(at_ticks[s]), last - 1)
            part = at_ticks[s] - n
            for a in range(2):
                before = load_some(history, (n, a, start), count) + shift[n, a]
                after = load_some(history, (n + 1, a, start), count) + shift[n + 1, a]
                seen = (1.0 - part) * before + part * after
                corner = load_some(origin, (a, start), count)
                store_some(position, (s, a, start), count, scale * seen - corner)
        else:
            for m in range(start, start + count):
                at = min(at_ticks[s] + delay_ticks[m], float(last))
                n = min(int(at), last - 1)
                part = at - n
                for a in range(2):
                    before = history[n, a, m] + shift[n, a]
                    after = history[n + 1, a, m] + shift[n + 1, a]
                    seen = (1.0 - part) * before + part * after
                    position[s, a, m] = scale * seen - origin[a, m]


@kernel
def spot_paths(position, history, shift, sampling, origin):  # type: ignore[no-untyped-def]
    """Fill `position` (S, 2, M) with the spots' places in their windows over the exposure. [px]"""
    n_mirrors = history.shape[2]
    for start in range(0, n_mirrors, N):
        path_block(
            start, min(N, n_mirrors - start), position, history, shift, sampling, origin
        )


@step
def centre_block(start, count, readings, sums, rule):  # type: ignore[no-untyped-def]
    """See `centres`; one block of mirrors."""
    spot, flux, status = readings
    height, width, min_flux, edge = rule
    total = int64_to_float64(load_some(sums, (0, start), count))
    x = int64_to_float64(load_some(sums, (1, start), count)) / total
    y = int64_to_float64(load_some(sums, (2, start), count)) / total
    verdict = where_above(edge, x, EDGE, spread(OK))
    verdict = where_above(x, width - 1.0 - edge, EDGE, verdict)
    verdict = where_above(edge, y, EDGE, verdict)
    verdict = where_above(y, height - 1.0 - edge, EDGE, verdict)
    verdict = where_above(min_flux, total, DIM, verdict)
    verdict = where_above(total, 0.0, verdict, DIM)
    store_some(flux, start, count, total)
    store_some(status, start, count, low_byte(verdict))
    store_some(spot, (0, start), count, where_above(verdict, OK, np.nan, x))
    store_some(spot, (1, start), count, where_above(verdict, OK, np.nan, y))


@kernel
def centres(readings, sums, rule):  # type: ignore[no-untyped-def]
    """Turn sums into readings, with the verdict of `sim.estimators.reading.judged`."""
    n_mirrors = sums.shape[1]
    for start in range(0, n_mirrors, N):
        centre_block(start, min(N, n_mirrors - start), readings, sums, rule)


@inlined
def _from_table(values, k, low_x, high_x, low_y, high_y, part_x, part_y):  # type: ignore[no-untyped-def]
    """Value k of a table between four places."""
    upper = (1.0 - part_x) * values[low_y, low_x, k] + part_x * values[low_y, high_x, k]
    lower = (1.0 - part_x) * values[high_y, low_x, k] + part_x * values[high_y, high_x, k]
    return (1.0 - part_y) * upper + part_y * lower


@step
def draw_block(start, count, readings, position, z, table):  # type: ignore[no-untyped-def]
    """See `draw_readings`; one block of mirrors."""
    spot, flux, status = readings
    last = table.bias_px.shape[0] - 1
    samples = position.shape[0]
    for m in range(start, start + count):
        x = 0.0
        y = 0.0
        for s in range(samples):
            x += position[s, 0, m]
            y += position[s, 1, m]
        x /= samples
        y /= samples
        flux[m] = table.light_dn
        at_x = (x - table.first_x_px) * table.nodes_per_px
        at_y = (y - table.first_y_px) * table.nodes_per_px
        if not (0.0 <= at_x <= last and 0.0 <= at_y <= last):
            spot[0, m] = np.nan
            spot[1, m] = np.nan
            status[m] = BEYOND
            continue
        low_x = min(int(at_x), last - 1)
        low_y = min(int(at_y), last - 1)
        place = (low_x, low_x + 1, low_y, low_y + 1, at_x - low_x, at_y - low_y)
        bias_x = _from_table(table.bias_px, 0, *place)
        bias_y = _from_table(table.bias_px, 1, *place)
        xx = _from_table(table.root_px, 0, *place)
        yx = _from_table(table.root_px, 1, *place)
        yy = _from_table(table.root_px, 2, *place)
        z_x = float(z[0, 0, m])
        z_y = float(z[0, 1, m])
        spot[0, m] = x + bias_x + xx * z_x
        spot[1, m] = y + bias_y + (yx * z_x + yy * z_y)
        status[m] = OK


@kernel
def draw_readings(readings, position, z, table):  # type: ignore[no-untyped-def]
    """Draw readings from a table of bias and covariance instead of making images."""
    draw_block(0, position.shape[2], readings, position, z, table)
